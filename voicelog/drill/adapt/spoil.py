"""Spoils clean speech as a cabin does: pace, echo, band, noise, clipping; the generators are not those of the report.

Tensors are torch tensors on one device; audio is (batch, samples) at 16 kHz.
"""

from __future__ import annotations

import math
from random import Random
from typing import Any

from voicelog.drill.adapt.config import Train

RATE = 16_000
_KINDS = 5
"""Shaped noise, engine, siren, babble, hiss."""


class Spoiler:
    """Makes batches out of a bank of clips."""

    def __init__(self, bank: Any, settings: Train, random: Random) -> None:
        """``bank``: int16 samples of all clips in a row."""
        import torch

        self._torch = torch
        self._bank = bank
        self._settings = settings
        self._random = random
        self._device = bank.device

    def placed(self, starts: Any, lengths: Any, offsets: Any, rates: Any, samples: int) -> Any:
        """Clips of the bank, each read at its own rate from its own offset on, in silence."""
        torch = self._torch
        time = torch.arange(samples, device=self._device)[None]
        place = (time - offsets[:, None]) * rates[:, None]
        inside = (place >= 0) & (place < lengths[:, None] - 1)
        place = place.clamp(min=0)
        whole = place.floor()
        part = place - whole
        index = (starts[:, None] + whole.long()).clamp(max=len(self._bank) - 2)
        low, high = self._bank[index].float(), self._bank[index + 1].float()
        return torch.where(inside, (low * (1 - part) + high * part) / 32_768, torch.zeros((), device=self._device))

    def spoilt(self, clean: Any, ends: Any, clips: Any) -> Any:
        """The speech with echo, band limits, noise and clipping; silent from ``ends`` (seconds) on.

        ``clips``: (starts, lengths) of the bank to babble with.
        """
        torch, batch = self._torch, len(clean)
        samples = clean.shape[1]
        time = torch.arange(samples, device=self._device)[None] / RATE
        live = time < ends[:, None]
        heard = torch.where(self._chance(batch, 0.5), self._echoed(clean), clean)
        heard = torch.where(self._chance(batch, 0.6), self._filtered(heard), heard)
        loud = heard.abs() > 1e-3
        power = ((heard * heard * loud).sum(1) / (loud.sum(1) + 1)).clamp(min=1e-6)
        decibels = self._between(batch, self._settings.lowest_db, self._settings.highest_db)
        noise = self._noise(batch, samples, clips) * torch.sqrt(power / 10 ** (decibels / 10))[:, None]
        heard = heard + torch.where(self._chance(batch, self._settings.quiet), torch.zeros_like(noise), noise)
        peak = heard.abs().amax(1, keepdim=True).clamp(min=1e-6)
        clipped = (heard * self._between(batch, 2, 6)[:, None] / peak).clamp(-1, 1)
        heard = torch.where(self._chance(batch, 0.12), clipped, heard) * live
        heard = heard / (heard.abs().amax(1, keepdim=True) + 1e-6) * self._between(batch, 0.05, 0.9)[:, None]
        return heard + 1e-4 * torch.randn_like(heard) * live * torch.rand(batch, 1, device=self._device)

    def masked(self, features: Any) -> Any:
        """Features (batch, 80, frames) with a few bands and stretches blanked (SpecAugment, Park 2019)."""
        torch = self._torch
        batch, bands, frames = features.shape
        band = torch.arange(bands, device=self._device)[None]
        frame = torch.arange(frames, device=self._device)[None]
        zero = torch.zeros((), device=self._device)
        for _ in range(2):
            low, width = self._whole(batch, bands), self._whole(batch, 14)
            hit = (band >= low) & (band < low + width) & self._chance(batch, 0.5)
            features = torch.where(hit[:, :, None], zero, features)
            low, width = self._whole(batch, 600), self._whole(batch, 18)
            hit = (frame >= low) & (frame < low + width)
            features = torch.where(hit[:, None], zero, features)
        return features

    def gapped(self, audio: Any) -> Any:
        """Audio (batch, samples) of which half has a gap of up to 0.1 s."""
        torch, batch = self._torch, len(audio)
        place = torch.arange(audio.shape[1], device=self._device)[None]
        low, width = self._whole(batch, audio.shape[1]), self._whole(batch, RATE // 10)
        hit = (place >= low) & (place < low + width) & self._chance(batch, 0.5)
        return torch.where(hit, torch.zeros((), device=self._device), audio)

    def _echoed(self, audio: Any) -> Any:
        torch, batch = self._torch, len(audio)
        length = RATE * 7 // 10
        time = torch.arange(length, device=self._device)[None] / RATE
        response = torch.randn(batch, length, device=self._device)
        response = response * torch.exp(-6.9 * time / self._between(batch, 0.1, 0.6)[:, None])
        response = response * self._between(batch, 0.02, 0.25)[:, None]
        response[:, 0] = 1.0
        size = audio.shape[1] + length
        spectrum = torch.fft.rfft(audio, n=size) * torch.fft.rfft(response, n=size)
        return torch.fft.irfft(spectrum, n=size)[:, : audio.shape[1]]

    def _filtered(self, audio: Any) -> Any:
        """A tilt, and an upper and a lower limit, as microphones and radios have."""
        torch, batch = self._torch, len(audio)
        spectrum = torch.fft.rfft(audio)
        hertz = torch.linspace(0, RATE / 2, spectrum.shape[1], device=self._device)[None]
        gain = (hertz.clamp(min=60) / 1000) ** self._between(batch, -0.4, 0.4)[:, None]
        gain = gain / (1 + (hertz / self._between(batch, 3000, 9000)[:, None]) ** 6)
        gain = gain / (1 + (self._between(batch, 40, 300)[:, None] / hertz.clamp(min=20)) ** 4)
        return torch.fft.irfft(spectrum * gain, n=audio.shape[1])

    def _noise(self, batch: int, samples: int, clips: Any) -> Any:
        """Noise at RMS 1: mostly one kind, sometimes several."""
        torch = self._torch
        made = (
            self._shaped(batch, samples, 0.0, 2.2),
            self._engine(batch, samples),
            self._siren(batch, samples),
            self._babble(batch, samples, clips),
            self._hiss(batch, samples),
        )
        kinds = torch.stack([_unit(row) for row in made], 1)
        weights = torch.nn.functional.one_hot(self._whole(batch, _KINDS)[:, 0], _KINDS).float()
        weights = weights + self._chance((batch, _KINDS), 0.15) * torch.rand(batch, _KINDS, device=self._device)
        every = torch.rand(batch, _KINDS, device=self._device)
        weights = torch.where(self._chance(batch, 0.15), every, weights)
        return _unit((kinds * weights[:, :, None]).sum(1))

    def _shaped(self, batch: int, samples: int, flat: float, steep: float) -> Any:
        """Noise whose power falls with a random slope, with a hump somewhere."""
        torch = self._torch
        spectrum = torch.fft.rfft(torch.randn(batch, samples, device=self._device))
        hertz = torch.linspace(0, RATE / 2, spectrum.shape[1], device=self._device)[None]
        gain = (hertz.clamp(min=40) / 1000) ** (-self._between(batch, flat, steep)[:, None] / 2)
        hump = torch.exp(-(((hertz - self._between(batch, 200, 6000)[:, None]) / 600) ** 2))
        gain = gain * (1 + 2 * self._between(batch, 0, 1)[:, None] * hump)
        return torch.fft.irfft(spectrum * gain, n=samples)

    def _engine(self, batch: int, samples: int) -> Any:
        torch = self._torch
        turning = self._between(batch, 25, 95)[:, None] * (1 + 0.06 * self._curve(batch, samples, 40))
        phase = 2 * math.pi * torch.cumsum(turning, 1) / RATE
        orders = [
            torch.sin(order * phase + order) * order**-0.7 * (0.4 + self._random.random()) for order in range(1, 22)
        ]
        return _unit(sum(orders)) + 0.33 * _unit(self._shaped(batch, samples, 0.5, 2.0))

    def _siren(self, batch: int, samples: int) -> Any:
        torch = self._torch
        time = torch.arange(samples, device=self._device)[None] / RATE
        # As many that yelp (a few sweeps a second) as that wail (SAE J1849: 10 to 30 a minute; figures from memory).
        period = torch.exp(self._between(batch, math.log(0.15), math.log(6.0)))[:, None]
        sweep = 2 * (2 * ((time / period) % 1) - 1).abs() - 1
        sweep = torch.where(self._chance(batch, 0.3), torch.sign(torch.sin(2 * math.pi * time / period)), sweep)
        hertz = self._between(batch, 450, 900)[:, None] + (sweep + 1) / 2 * self._between(batch, 100, 1000)[:, None]
        phase = 2 * math.pi * torch.cumsum(hertz, 1) / RATE
        tone = torch.sin(phase) + 0.4 * torch.sin(2 * phase + 1) + 0.25 * torch.sin(3 * phase)
        return _unit(tone) + 0.35 * _unit(self._shaped(batch, samples, 0.5, 2.0))

    def _babble(self, batch: int, samples: int, clips: Any) -> Any:
        torch = self._torch
        starts, lengths = clips
        mix = torch.zeros(batch, samples, device=self._device)
        for _ in range(5):
            chosen = torch.randint(0, len(starts), (batch,), device=self._device)
            offsets, rates = self._between(batch, 0, RATE * 5).floor(), self._between(batch, 0.8, 1.25)
            mix = (
                mix
                + self.placed(starts[chosen], lengths[chosen], offsets, rates, samples)
                * (self._between(batch, 0.2, 1)[:, None])
            )
            mix = mix + torch.roll(mix, self._random.randrange(RATE, RATE * 7), 1) * 0.5
        return mix

    def _hiss(self, batch: int, samples: int) -> Any:
        torch = self._torch
        gate = torch.sigmoid(12 * (self._curve(batch, samples, 50) - self._between(batch, -0.2, 0.6)[:, None]))
        return torch.randn(batch, samples, device=self._device) * (gate + 0.03)

    def _curve(self, batch: int, samples: int, points: int) -> Any:
        """A slow random curve between -1 and 1."""
        rows = self._torch.rand(batch, 1, points, device=self._device) * 2 - 1
        return self._torch.nn.functional.interpolate(rows, size=samples, mode="linear")[:, 0]

    def _between(self, count: int, low: float, high: float) -> Any:
        return self._torch.rand(count, device=self._device) * (high - low) + low

    def _chance(self, shape: Any, share: float) -> Any:
        whole = (shape, 1) if isinstance(shape, int) else shape
        return self._torch.rand(*whole, device=self._device) < share

    def _whole(self, count: int, below: int) -> Any:
        return self._torch.randint(0, below, (count, 1), device=self._device)


def _unit(audio: Any) -> Any:
    return audio / (audio.std(1, keepdim=True) + 1e-6)
