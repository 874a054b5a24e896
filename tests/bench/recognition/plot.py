"""The report's picture: for each recogniser and kind of speech, what became of the callouts at each SNR; plain SVG."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from voicelog.drill.plots import BAR, HEIGHT, document, legend, scale, stack

_STEP, _PANEL_GAP, _LEFT, _TOP = 46, 40, 44, 64


def svg(callouts: Mapping[str, Mapping[str, Any]]) -> str:
    """One row of stacked bars for each recogniser, one group in it for each kind of speech.

    Args:
        callouts: recogniser -> kind of speech -> SNR -> counts, as ``report.figures`` gives them.
    """
    rows = list(callouts.items())
    width = max((_width(sources) for _, sources in rows), default=300)
    height = _TOP + len(rows) * (HEIGHT + 96)
    parts = list(legend(_LEFT, 14))
    for number, (listener, sources) in enumerate(rows):
        parts += _row(listener, sources, _TOP + number * (HEIGHT + 96))
    return document(width, height, parts)


def _width(sources: Mapping[str, Any]) -> int:
    return max(520, _LEFT + sum(_STEP * (len(lines) - 1) + _PANEL_GAP for lines in sources.values()))


def _row(listener: str, sources: Mapping[str, Any], top: int) -> list[str]:
    bottom = top + 24 + HEIGHT
    parts = [f'<text x="{_LEFT}" y="{top + 10}" font-weight="bold">{escape(listener)}</text>']
    parts += scale(_LEFT - 6, bottom)
    x = _LEFT
    for source, lines in sources.items():
        levels = {snr: line for snr, line in lines.items() if snr != "all"}
        parts.append(f'<text x="{x}" y="{bottom + 34}">{escape(source)}</text>')
        for snr, line in levels.items():
            parts += stack(line, line["count"], x, bottom)
            parts.append(f'<text x="{x + BAR / 2}" y="{bottom + 16}" text-anchor="middle">{escape(snr)}</text>')
            x += _STEP
        x += _PANEL_GAP
    return parts
