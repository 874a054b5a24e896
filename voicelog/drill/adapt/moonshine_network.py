"""The small Moonshine network in PyTorch over named weights, the same arithmetic as its ONNX form; torch where used.

After Jeffries et al. 2024, "Moonshine: Speech Recognition for Live Transcription and Voice Commands" (arXiv
2410.15608): three convolutions over the sound itself, rotary positions. Tensors are torch tensors; shapes are (batch,
time, width).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from voicelog.drill.adapt.spoil import Spoiler

WIDTH, HEADS, LAYERS = 288, 8, 6
"""Of the tiny model."""
_HEAD = WIDTH // HEADS
_TURNED = 32
"""Numbers of each head that are turned by their position; the rest stays."""
_BASE = 10_000.0


class MoonshineNetwork:
    """Encoder and decoder over a mapping of weights as ``ort_weights.floats`` names them."""

    start = (1,)
    """Tokens that stand before the text."""
    end = 2
    """The token that ends it."""

    def __init__(self, weights: Mapping[str, Any]) -> None:
        import torch

        self._weights = weights
        self._torch = torch
        self._nn: Any = torch.nn.functional

    def features(self, audio: Any, spoiler: Spoiler | None = None) -> Any:
        """What the encoder is shown of sound (batch, samples): the sound, sometimes with a short gap in it."""
        return audio if spoiler is None else spoiler.gapped(audio)

    def encoded(self, audio: Any) -> Any:
        """Sound (batch, samples) at 16 kHz, -1 to 1, to states (batch, about samples / 384, WIDTH)."""
        nn, get = self._nn, self._weights
        one = self._torch.tanh(nn.conv1d(audio[:, None], get["encoder.conv1.weight"], stride=64))
        scale, shift = get["encoder.groupnorm.weight"].flatten(), get["encoder.groupnorm.bias"].flatten()
        one = nn.group_norm(one, 1, scale, shift)
        two = nn.gelu(nn.conv1d(one, get["encoder.conv2.weight"], get["encoder.conv2.bias"], stride=3))
        three = nn.gelu(nn.conv1d(two, get["encoder.conv3.weight"], get["encoder.conv3.bias"], stride=2))
        states = three.transpose(1, 2)
        turns = self._turns(states)
        for layer in range(LAYERS):
            at = f"encoder.layers.{layer}"
            normed = self._norm(states, f"{at}.input_layernorm")
            states = states + self._attention(normed, normed, f"{at}.self_attn", turns)
            inner = self._linear(self._norm(states, f"{at}.post_attention_layernorm"), f"{at}.mlp.fc1")
            states = states + self._linear(nn.gelu(inner), f"{at}.mlp.fc2")
        return self._norm(states, "encoder.layer_norm")

    def decoded(self, tokens: Any, states: Any) -> Any:
        """Logits (batch, tokens, words) of what follows each token (batch, tokens)."""
        nn, words = self._nn, self._weights["decoder.embed_tokens.weight"]
        found = nn.embedding(tokens, words)
        turns = self._turns(found)
        for layer in range(LAYERS):
            at = f"decoder.layers.{layer}"
            normed = self._norm(found, f"{at}.input_layernorm")
            found = found + self._attention(normed, normed, f"{at}.self_attn", turns, causal=True)
            normed = self._norm(found, f"{at}.post_attention_layernorm")
            found = found + self._attention(normed, states, f"{at}.encoder_attn")
            inner = self._linear(self._norm(found, f"{at}.final_layernorm"), f"{at}.mlp.fc1")
            inner, gate = inner.chunk(2, dim=-1)
            found = found + self._linear(nn.silu(gate) * inner, f"{at}.mlp.fc2")
        return nn.linear(self._norm(found, "decoder.norm"), words)

    def _attention(self, queries: Any, keys: Any, at: str, turns: Any = None, causal: bool = False) -> Any:
        batch, length, _ = queries.shape
        parts = (queries, "q_proj"), (keys, "k_proj"), (keys, "v_proj")
        rows = [self._linear(part, f"{at}.{name}") for part, name in parts]
        query, key, value = (row.view(batch, -1, HEADS, _HEAD).transpose(1, 2) for row in rows)
        if turns is not None:
            query, key = self._turned(query, turns), self._turned(key, turns)
        mixed = self._nn.scaled_dot_product_attention(query, key, value, is_causal=causal)
        return self._linear(mixed.transpose(1, 2).reshape(batch, length, WIDTH), f"{at}.o_proj")

    def _turns(self, states: Any) -> tuple[Any, Any]:
        """Cosine and sine of each place's angles: (time, _TURNED), each angle for two neighbours."""
        torch = self._torch
        place = torch.arange(states.shape[1], device=states.device, dtype=torch.float32)
        slower = _BASE ** (-torch.arange(0, _TURNED, 2, device=states.device, dtype=torch.float32) / _TURNED)
        angles = (place[:, None] * slower[None]).repeat_interleave(2, dim=1)
        return angles.cos(), angles.sin()

    def _turned(self, rows: Any, turns: tuple[Any, Any]) -> Any:
        """Rotary positions (Su et al. 2021, arXiv 2104.09864) over neighbouring pairs."""
        part, rest = rows[..., :_TURNED], rows[..., _TURNED:]
        crossed = self._torch.stack((-part[..., 1::2], part[..., 0::2]), dim=-1).flatten(-2)
        cosine, sine = (turn.to(rows.dtype) for turn in turns)
        return self._torch.cat((part * cosine + crossed * sine, rest), dim=-1)

    def _linear(self, states: Any, name: str) -> Any:
        found = states @ self._weights[f"{name}.weight"]
        shift = self._weights.get(f"{name}.bias")
        return found if shift is None else found + shift

    def _norm(self, states: Any, name: str) -> Any:
        return self._nn.layer_norm(states, (WIDTH,), self._weights[f"{name}.weight"])
