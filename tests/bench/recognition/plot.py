"""The report's picture: for each recogniser and kind of speech, what became of the callouts at each SNR; plain SVG."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from .score import OUTCOMES, Outcome

COLOURS: dict[Outcome, str] = {
    "exact": "#3b7f5c",
    "asked": "#d9a441",
    "partly": "#8fb3c9",
    "rejected": "#c4c9cf",
    "wrong": "#b3261e",
}
_BAR, _STEP, _HEIGHT, _PANEL_GAP, _LEFT, _TOP = 34, 46, 180, 40, 44, 64


def svg(callouts: Mapping[str, Mapping[str, Any]]) -> str:
    """One row of stacked bars for each recogniser, one group in it for each kind of speech.

    Args:
        callouts: recogniser -> kind of speech -> SNR -> counts, as ``report.figures`` gives them.
    """
    rows = list(callouts.items())
    width = max((_width(sources) for _, sources in rows), default=300)
    height = _TOP + len(rows) * (_HEIGHT + 96)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
        ' font-family="sans-serif" font-size="12" fill="#222">',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        *_legend(),
    ]
    for number, (listener, sources) in enumerate(rows):
        parts += _row(listener, sources, _TOP + number * (_HEIGHT + 96))
    return "\n".join([*parts, "</svg>", ""])


def _width(sources: Mapping[str, Any]) -> int:
    return max(520, _LEFT + sum(_STEP * (len(lines) - 1) + _PANEL_GAP for lines in sources.values()))


def _legend() -> list[str]:
    parts = []
    for number, (outcome, colour) in enumerate(COLOURS.items()):
        x = _LEFT + number * 88
        parts.append(f'<rect x="{x}" y="14" width="12" height="12" fill="{colour}"/>')
        parts.append(f'<text x="{x + 17}" y="24">{outcome}</text>')
    return parts


def _row(listener: str, sources: Mapping[str, Any], top: int) -> list[str]:
    bottom = top + 24 + _HEIGHT
    parts = [f'<text x="{_LEFT}" y="{top + 10}" font-weight="bold">{escape(listener)}</text>']
    for percent in (0, 50, 100):
        y = bottom - _HEIGHT * percent / 100
        parts.append(f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{percent}%</text>')
    x = _LEFT
    for source, lines in sources.items():
        levels = {snr: line for snr, line in lines.items() if snr != "all"}
        parts.append(f'<text x="{x}" y="{bottom + 34}">{escape(source)}</text>')
        for snr, line in levels.items():
            parts += _stack(line, x, bottom)
            parts.append(f'<text x="{x + _BAR / 2}" y="{bottom + 16}" text-anchor="middle">{escape(snr)}</text>')
            x += _STEP
        x += _PANEL_GAP
    return parts


def _stack(line: Mapping[str, Any], x: int, bottom: int) -> list[str]:
    parts, y = [], float(bottom)
    for outcome in OUTCOMES:
        share = line[outcome] / line["count"] if line["count"] else 0.0
        height = share * _HEIGHT
        y -= height
        title = f"<title>{outcome} {100 * share:.1f}%</title>"
        parts.append(
            f'<rect x="{x}" y="{y:.1f}" width="{_BAR}" height="{height:.1f}" fill="{COLOURS[outcome]}">{title}</rect>'
        )
    return parts
