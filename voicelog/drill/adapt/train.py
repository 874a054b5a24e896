"""Fine-tunes Whisper or Moonshine on the spoken lines: ``python -m voicelog.drill.adapt.train --data DIR --out DIR``.

Needs PyTorch, NumPy and soundfile alone, so that it runs on a machine without network that was sent the data folder.
Embeddings and position tables stay; everything else moves, pulled towards where it started. What is written is the
change, averaged over the last steps, packed small.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

from voicelog.drill.adapt.config import SHIPPED, Config, Train, read_config
from voicelog.drill.adapt.moonshine_network import MoonshineNetwork
from voicelog.drill.adapt.network import Network, greedy
from voicelog.drill.adapt.spoil import RATE, Spoiler
from voicelog.drill.adapt.weights import FROZEN, packed, unpacked, write_parts

LONGEST_S = 11.0
"""Longest clip that is used, seconds."""
_EDGE_S = 0.1
"""Least of the window that is left after a clip."""
_SAVE = 1000
"""Steps after which the change so far is written."""
_HELD_OUT = 256
"""Clips that are never trained on, to see how it goes; at most a quarter of all."""
_TWO = 0.18
"""Share of examples that are two clips in a row."""
_SLOWEST, _FASTEST = 0.82, 1.25
_DECAY = 0.998
"""Of the running average of the weights."""
_TEXT_STEP = 8
"""Lengths of text are rounded up to a multiple of this, so that few shapes occur."""
_LONGEST_BATCH_S = 15.0
"""Longest sound that a network without a fixed window is shown."""
_LENGTH_STEP_S = 0.25
_SORTED = 8
"""Batches whose examples are dealt out by length."""
_LOOK = 100
"""Steps between two lines of the log."""


_Example = tuple[Any, Any, float, tuple[int, ...], float]
"""(first clip, second clip, rate, tokens, end in samples); a clip is (start, length, offset)."""


@dataclass(frozen=True)
class Clip:
    """Where one spoken line lies in the bank, and its tokens."""

    start: int
    length: int
    tokens: tuple[int, ...]


def main(arguments: Sequence[str] | None = None) -> int:
    """Train one seed; prints how it goes."""
    parser = argparse.ArgumentParser(prog="python -m voicelog.drill.adapt.train", description=__doc__)
    parser.add_argument("--data", type=Path, required=True, help="folder made by the data step")
    parser.add_argument("--out", type=Path, required=True, help="folder for change-0.npz and so on")
    parser.add_argument("--config", type=Path, default=SHIPPED, help="config file (%(default)s)")
    parser.add_argument("--seed", type=int, default=1, help="of order, noise and augmentation (%(default)s)")
    parser.add_argument("--steps", type=int, help="of training, instead of the config's")
    options = parser.parse_args(arguments)
    config = read_config(options.config)
    options.out.mkdir(parents=True, exist_ok=True)
    _Training(options.data, config, options.seed).run(options.steps or config.train.steps, options.out)
    return 0


class _Training:
    def __init__(self, data: Path, config: Config, seed: int) -> None:
        import numpy as np
        import torch

        torch.manual_seed(seed)
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
        # cuDNN's attention plans anew for each length of text, which takes longer than the step itself.
        torch.backends.cuda.enable_cudnn_sdp(False)
        self.torch = torch
        self.device = "cuda" if torch.cuda.is_available() else "cpu"
        self.random = Random(seed)
        self.settings: Train = config.train
        start = unpacked(np.load(data / "start.npz"))
        self.start = {name: torch.tensor(rows, device=self.device) for name, rows in start.items()}
        self.weights = {name: rows.clone() for name, rows in self.start.items()}
        self.moving = {name: rows for name, rows in self.weights.items() if not any(part in name for part in FROZEN)}
        for rows in self.moving.values():
            rows.requires_grad_(True)
        self.network: Any = MoonshineNetwork(self.weights)
        if (data / "filters.npy").exists():
            self.network = Network(self.weights, torch.tensor(np.load(data / "filters.npy"), device=self.device))
        self.windowed = isinstance(self.network, Network)
        self.ready: list[tuple[list[_Example], int]] = []
        bank, clips = _clips(data / "speech")
        # The same clips are held out whatever the seed, so that seeds can be compared.
        Random(config.seed).shuffle(clips)
        kept = min(_HELD_OUT, len(clips) // 4)
        self.held_out, self.clips = clips[:kept], clips[kept:]
        print(f"{len(self.clips)} clips, {len(bank) / RATE / 3600:.2f} h, on {self.device}", flush=True)
        self.spoiler = Spoiler(torch.tensor(bank, device=self.device), self.settings, self.random)
        self.babble = (self._row([c.start for c in self.clips]), self._row([c.length for c in self.clips]))

    def run(self, steps: int, out: Path) -> None:
        torch = self.torch
        rows = list(self.moving.values())
        begun = [row.detach().clone() for row in rows]
        mean = [row.detach().clone() for row in rows]
        optimiser = torch.optim.AdamW(
            rows, lr=self.settings.learning_rate, betas=(0.9, 0.98), weight_decay=0.01, fused=self.device == "cuda"
        )
        print(f"before: {self.exact()}", flush=True)
        first, losses = time.monotonic(), 0.0
        for step in range(1, steps + 1):
            rate = self._rate(step, steps)
            for group in optimiser.param_groups:
                group["lr"] = rate
            loss = self._loss()
            optimiser.zero_grad(set_to_none=True)
            if not torch.isfinite(loss):
                print(f"step {step}: a batch without a finite loss was left out", flush=True)
                continue
            loss.backward()
            torch.nn.utils.clip_grad_norm_(rows, 1.0)
            optimiser.step()
            with torch.no_grad():
                torch._foreach_lerp_([row.data for row in rows], begun, rate * self.settings.pull)
                torch._foreach_lerp_(mean, [row.detach() for row in rows], 1 - min(_DECAY, step / (step + 20)))
            losses += float(loss.detach()) if step % 10 == 0 else 0.0
            if step % _LOOK == 0:
                took = time.monotonic() - first
                print(f"step {step} loss {losses * 10 / _LOOK:.3f} rate {rate:.1e} {took:.0f} s", flush=True)
                losses = 0.0
            if step % _SAVE == 0:
                self._write(mean, out)
        self._write(mean, out)
        with torch.no_grad():
            for row, averaged in zip(rows, mean, strict=True):
                row.copy_(averaged)
        print(f"after {steps} steps: {self.exact()}", flush=True)

    def _write(self, mean: Sequence[Any], out: Path) -> None:
        """The change so far, in place of what was written before: a machine may be taken away in the middle."""
        moved = zip(self.moving, mean, strict=True)
        write_parts(packed({name: (row - self.start[name]).cpu().numpy() for name, row in moved}), out, "change")

    def _rate(self, step: int, steps: int) -> float:
        """Warmed up, then along a cosine down to 3 %."""
        slope = 0.5 * (1 + math.cos(math.pi * (step - 1) / steps)) * 0.97 + 0.03
        return self.settings.learning_rate * min(1.0, step / self.settings.warm_up) * slope

    def _loss(self) -> Any:
        torch = self.torch
        with torch.no_grad():
            features, given, wanted = self._batch()
        with torch.autocast(self.device, torch.bfloat16):
            logits = self.network.decoded(given, self.network.encoded(features))
        return torch.nn.functional.cross_entropy(
            logits.float().flatten(0, 1), wanted.flatten(), ignore_index=-100, label_smoothing=self.settings.smoothing
        )

    def _batch(self) -> tuple[Any, Any, Any]:
        if not self.ready:
            self.ready = self._examples()
        examples, samples = self.ready.pop()
        firsts, seconds, rates, tokens, ends = zip(*examples, strict=True)
        rate = self._row(rates)
        clean = sum(
            self.spoiler.placed(
                self._row([row[0] for row in part]),
                self._row([row[1] for row in part]),
                self._row([float(int(row[2])) for row in part]),
                rate,
                samples,
            )
            for part in (firsts, seconds)
        )
        heard = self.spoiler.spoilt(clean, self._row([min(end, samples) / RATE for end in ends]), self.babble)
        return self.network.features(heard, self.spoiler), *self._tokens(tokens)

    def _examples(self) -> list[tuple[list[_Example], int]]:
        """Some batches with their lengths in samples: a window, or that of their longest, as all are about as long."""
        size = self.settings.batch
        if self.windowed:
            samples = round(self.random.choice(self.settings.windows_s) * RATE)
            return [([self._example(samples) for _ in range(size)], samples)]
        longest = round(_LONGEST_BATCH_S * RATE)
        drawn = sorted((self._example(longest) for _ in range(size * _SORTED)), key=lambda example: example[-1])
        made = [drawn[first : first + size] for first in range(0, len(drawn), size)]
        self.random.shuffle(made)
        step = round(_LENGTH_STEP_S * RATE)
        return [(batch, step * math.ceil(min(longest, batch[-1][-1]) / step)) for batch in made]

    def _example(self, samples: int) -> _Example:
        random, none = self.random, (0, 0, 0.0)
        offset = random.uniform(0.02, 1.0) * RATE
        if random.random() < self.settings.empty:
            return none, none, 1.0, (), offset + random.uniform(0.3, 8.0) * RATE
        rate = random.choice([1.0, random.uniform(_SLOWEST, _FASTEST)])
        clip = random.choice(self.clips)
        while offset + clip.length / rate > samples - _EDGE_S * RATE:  # a short window does not hold every clip
            clip = random.choice(self.clips)
        end = offset + clip.length / rate
        first, second, tokens = (clip.start, clip.length, offset), none, clip.tokens
        if random.random() < _TWO:
            other = random.choice(self.clips)
            place = end + random.uniform(0.2, 1.2) * RATE
            if place + other.length / rate < samples - RATE:
                second, tokens = (other.start, other.length, place), tokens + other.tokens
                end = place + other.length / rate
        return first, second, rate, tokens, end + random.uniform(0.05, 1.2) * RATE

    def _tokens(self, texts: Sequence[tuple[int, ...]]) -> tuple[Any, Any]:
        """Tokens given and wanted; what is not to be learnt is -100."""
        torch, start, end = self.torch, self.network.start, self.network.end
        width = -(-(max(map(len, texts)) + len(start)) // _TEXT_STEP) * _TEXT_STEP
        given = torch.full((len(texts), width), end)
        wanted = torch.full((len(texts), width), -100)
        for place, text in enumerate(texts):
            given[place, : len(start) + len(text)] = torch.tensor([*start, *text])
            wanted[place, len(start) - 1 : len(start) + len(text)] = torch.tensor([*text, end])
        return given.to(self.device), wanted.to(self.device)

    def exact(self) -> str:
        """Share of held-out lines written exactly, clean and spoilt."""
        torch = self.torch
        state = torch.random.get_rng_state()
        right = [0, 0]
        with torch.no_grad(), torch.autocast(self.device, torch.bfloat16):
            for chunk in _chunks(sorted(self.held_out, key=lambda clip: clip.length), 64):
                samples = 15 * RATE if self.windowed else chunk[-1].length + RATE
                clean = self.spoiler.placed(
                    self._row([clip.start for clip in chunk]),
                    self._row([clip.length for clip in chunk]),
                    self._row([RATE * 0.4] * len(chunk)),
                    self._row([1.0] * len(chunk)),
                    samples,
                )
                ends = self._row([clip.length / RATE + 0.8 for clip in chunk])
                for place, heard in enumerate((clean, self.spoiler.spoilt(clean, ends, self.babble))):
                    found = greedy(self.network, self.network.encoded(self.network.features(heard)))
                    right[place] += sum(tuple(row) == clip.tokens for row, clip in zip(found, chunk, strict=True))
        torch.random.set_rng_state(state)
        return "held out exact {:.0%} clean, {:.0%} spoilt".format(*(count / len(self.held_out) for count in right))

    def _row(self, values: Sequence[float]) -> Any:
        return self.torch.tensor(values, device=self.device)


def _clips(folder: Path) -> tuple[Any, list[Clip]]:
    """All sound in a row, int16, and the clips in it."""
    import numpy as np
    import soundfile

    sounds, clips, base = [], [], 0
    for index in sorted(folder.glob("*.json")):
        sound, _ = soundfile.read(index.with_suffix(".ogg"), dtype="int16")
        for start, length, _, _, _, tokens in json.loads(index.read_text(encoding="utf-8")):
            if length < LONGEST_S * RATE and start + length <= len(sound):
                clips.append(Clip(base + start, length, tuple(tokens)))
        sounds.append(sound)
        base += len(sound)
    return np.concatenate(sounds), clips


def _chunks(clips: Sequence[Clip], size: int) -> Iterator[Sequence[Clip]]:
    return (clips[first : first + size] for first in range(0, len(clips), size))


if __name__ == "__main__":
    raise SystemExit(main())
