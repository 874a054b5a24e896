"""Whisper's network in PyTorch over named weights, the same arithmetic as CTranslate2's; torch is imported where used.

Tensors are torch tensors; shapes are given as (batch, time, width).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from voicelog.drill.adapt.spoil import Spoiler

HEAD = 64
"""Width of one head of attention, in Whisper models of every size."""
ENGLISH_WORDS = 51_864
"""Tokens that the English-only models know; those of many languages know one more."""


class Network:
    """Encoder and decoder over a mapping of weights by CTranslate2's names; its size is that of the weights.

    ``start`` are the tokens that stand before the text (start of transcript, in a model of many languages English and
    transcribe, no time stamps), ``end`` is the token that ends it.
    """

    def __init__(self, weights: Mapping[str, Any], filters: Any = None) -> None:
        """``filters``: mel filters (80, 201), needed for ``features`` alone."""
        import torch

        self._weights = weights
        self._filters = filters
        self._torch = torch
        self._nn: Any = torch.nn.functional
        self._width = len(weights["encoder/layer_norm/gamma"])
        self._layers = sum(name.endswith("/attention/linear_0/weight") for name in weights)
        english = len(weights["decoder/embeddings/weight"]) == ENGLISH_WORDS
        self.start = (50257, 50362) if english else (50258, 50259, 50359, 50363)
        self.end = 50256 if english else 50257

    def features(self, audio: Any, spoiler: Spoiler | None = None) -> Any:
        """What the encoder is shown of sound (batch, samples), with parts blanked by the spoiler if there is one."""
        found = log_mel(audio, self._filters)
        return found if spoiler is None else spoiler.masked(found)

    def encoded(self, features: Any) -> Any:
        """Log-mel features (batch, 80, frames) to states (batch, frames / 2, width)."""
        nn, get = self._nn, self._weights
        one = nn.gelu(nn.conv1d(features, get["encoder/conv1/weight"], get["encoder/conv1/bias"], padding=1))
        two = nn.gelu(nn.conv1d(one, get["encoder/conv2/weight"], get["encoder/conv2/bias"], stride=2, padding=1))
        states = two.transpose(1, 2)
        states = states + get["encoder/position_encodings/encodings"][: states.shape[1]]
        for layer in range(self._layers):
            at = f"encoder/layer_{layer}"
            states = states + self._self_attention(states, at, causal=False)
            states = states + self._feed_forward(states, at)
        return self._norm(states, "encoder/layer_norm")

    def decoded(self, tokens: Any, states: Any) -> Any:
        """Logits (batch, tokens, words) of what follows each token (batch, tokens)."""
        nn, get = self._nn, self._weights
        found = nn.embedding(tokens, get["decoder/embeddings/weight"])
        found = found + get["decoder/position_encodings/encodings"][: tokens.shape[1]]
        for layer in range(self._layers):
            at = f"decoder/layer_{layer}"
            found = found + self._self_attention(found, at, causal=True)
            query = self._linear(self._norm(found, f"{at}/attention/layer_norm"), f"{at}/attention/linear_0")
            key, value = self._linear(states, f"{at}/attention/linear_1").split(self._width, -1)
            found = found + self._linear(self._attended(query, key, value, False), f"{at}/attention/linear_2")
            found = found + self._feed_forward(found, at)
        return nn.linear(self._norm(found, "decoder/layer_norm"), get["decoder/embeddings/weight"])

    def _self_attention(self, states: Any, at: str, causal: bool) -> Any:
        normed = self._norm(states, f"{at}/self_attention/layer_norm")
        query, key, value = self._linear(normed, f"{at}/self_attention/linear_0").split(self._width, -1)
        return self._linear(self._attended(query, key, value, causal), f"{at}/self_attention/linear_1")

    def _feed_forward(self, states: Any, at: str) -> Any:
        inner = self._linear(self._norm(states, f"{at}/ffn/layer_norm"), f"{at}/ffn/linear_0")
        return self._linear(self._nn.gelu(inner), f"{at}/ffn/linear_1")

    def _attended(self, query: Any, key: Any, value: Any, causal: bool) -> Any:
        batch, length, _ = query.shape
        parts = [row.view(batch, -1, self._width // HEAD, HEAD).transpose(1, 2) for row in (query, key, value)]
        mixed = self._nn.scaled_dot_product_attention(*parts, is_causal=causal)
        return mixed.transpose(1, 2).reshape(batch, length, self._width)

    def _linear(self, states: Any, name: str) -> Any:
        return self._nn.linear(states, self._weights[f"{name}/weight"], self._weights[f"{name}/bias"])

    def _norm(self, states: Any, name: str) -> Any:
        return self._nn.layer_norm(
            states, (self._width,), self._weights[f"{name}/gamma"], self._weights[f"{name}/beta"]
        )


def greedy(network: Any, states: Any, most: int = 60) -> list[list[int]]:
    """The likeliest token after token of a network, without start and end, for each item of the batch."""
    import torch

    tokens = torch.tensor([network.start], device=states.device).repeat(len(states), 1)
    for _ in range(most):
        tokens = torch.cat([tokens, network.decoded(tokens, states)[:, -1:].argmax(-1)], 1)
        if bool((tokens == network.end).any(1).all()):
            break
    rows = tokens[:, len(network.start) :].tolist()
    return [row[: row.index(network.end)] if network.end in row else row for row in rows]


def log_mel(audio: Any, filters: Any) -> Any:
    """Features (batch, bands, samples / 160) of audio (batch, samples), as ``recognisers.logmel`` makes them."""
    import torch

    window = torch.hann_window(400, device=audio.device)
    power = torch.stft(audio, 400, 160, window=window, return_complex=True)[..., :-1].abs() ** 2
    logs = (filters @ power).clamp(min=1e-10).log10()
    logs = torch.maximum(logs, logs.amax((1, 2), keepdim=True) - 8)
    return (logs + 4) / 4
