"""Small plots as plain SVG text: what became of callouts as stacked bars, counts as rows, delays as a histogram."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from html import escape

from voicelog.drill.judge import OUTCOMES, Outcome

COLOURS: dict[Outcome, str] = {
    "exact": "#3b7f5c",
    "asked": "#d9a441",
    "missed": "#8fb3c9",
    "rejected": "#c4c9cf",
    "wrong": "#b3261e",
}
BAR, HEIGHT = 34, 180
_GAP, _LEFT, _TOP, _FOOT = 26, 44, 40, 44
_ROW, _LABEL = 24, 230


def stack(counts: Mapping[str, int], count: int, x: float, bottom: float, height: float = HEIGHT) -> Iterator[str]:
    """One stacked bar: the share of each outcome, from the bottom up.

    Args:
        counts: how many of each outcome.
        count: how many in all.
        x: left edge of the bar.
        bottom: lower edge of the bar.
        height: of the whole bar.
    """
    y = float(bottom)
    for outcome in OUTCOMES:
        share = counts[outcome] / count if count else 0.0
        y -= share * height
        title = f"<title>{outcome} {100 * share:.1f}%</title>"
        yield (
            f'<rect x="{x}" y="{y:.1f}" width="{BAR}" height="{share * height:.1f}" fill="{COLOURS[outcome]}">'
            f"{title}</rect>"
        )


def legend(x: float, y: float) -> Iterator[str]:
    """What the colours mean, in a row of 88 a colour."""
    for number, (outcome, colour) in enumerate(COLOURS.items()):
        left = x + number * 88
        yield f'<rect x="{left}" y="{y}" width="12" height="12" fill="{colour}"/>'
        yield f'<text x="{left + 17}" y="{y + 10}">{outcome}</text>'


def scale(x: float, bottom: float, height: float = HEIGHT) -> Iterator[str]:
    """The marks 0%, 50% and 100%, right-aligned at x."""
    for percent in (0, 50, 100):
        yield f'<text x="{x}" y="{bottom - height * percent / 100 + 4:.1f}" text-anchor="end">{percent}%</text>'


def document(width: float, height: float, parts: Sequence[str], label: str = "") -> str:
    """An SVG document on white around its parts; ``label`` says in words what it shows."""
    named = f' role="img" aria-label="{escape(label)}"' if label else ""
    return "\n".join([
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
        f' font-family="sans-serif" font-size="12" fill="#222"{named}>',
        f'<rect width="{width}" height="{height}" fill="#fff"/>',
        *parts,
        "</svg>",
        "",
    ])  # fmt: skip


def capture_svg(bars: Mapping[str, tuple[Mapping[str, int], tuple[float, float]]], label: str) -> str:
    """Stacked outcomes in groups, with a whisker for the 95% interval of the share entered exactly.

    Args:
        bars: name under the bar -> (count of each outcome, interval of the exact share, 0 to 1).
        label: what it shows, in words.
    """
    bottom = _TOP + HEIGHT
    parts = [*legend(_LEFT, 10), *scale(_LEFT - 6, bottom)]
    step = max(BAR + _GAP, *(7 * len(name) + 12 for name in bars), 0)
    for number, (name, (counts, (low, high))) in enumerate(bars.items()):
        x = _LEFT + (step - BAR) / 2 + number * step
        count = sum(counts[outcome] for outcome in OUTCOMES)
        parts += stack(counts, count, x, bottom)
        middle, top, foot = x + BAR / 2, bottom - high * HEIGHT, bottom - low * HEIGHT
        parts.append(
            f'<path d="M{middle} {top:.1f}V{foot:.1f}M{middle - 5} {top:.1f}h10M{middle - 5} {foot:.1f}h10"'
            f' stroke="#111" fill="none"><title>95% interval of exact: {100 * low:.0f} to {100 * high:.0f}%'
            "</title></path>"
        )
        parts.append(f'<text x="{middle}" y="{bottom + 16}" text-anchor="middle">{escape(name)}</text>')
        parts.append(f'<text x="{middle}" y="{bottom + 32}" text-anchor="middle" fill="#666">n {count}</text>')
    width = max(_LEFT + 5 * 88, _LEFT + len(bars) * step)
    return document(width, bottom + _FOOT, parts, label)


def rows_svg(rows: Mapping[str, int], label: str) -> str:
    """Counts as horizontal bars, in the order given."""
    most = max(rows.values(), default=1)
    parts = []
    for number, (name, count) in enumerate(rows.items()):
        y = number * _ROW + 4
        parts.append(f'<text x="{_LABEL - 8}" y="{y + 13}" text-anchor="end">{escape(name)}</text>')
        parts.append(f'<rect x="{_LABEL}" y="{y}" width="{220 * count / most:.0f}" height="16" fill="#5b7fa3"/>')
        parts.append(f'<text x="{_LABEL + 226 * count / most + 6:.0f}" y="{y + 13}">{count}</text>')
    return document(_LABEL + 270, len(rows) * _ROW + 8, parts, label)


def histogram_svg(values: Sequence[float], label: str, step: float = 0.25, most: float = 6.0) -> str:
    """How many values fall into each step; the last column holds all that are larger.

    Args:
        values: seconds, 0 or more.
        label: what it shows, in words.
        step: width of a column, seconds.
        most: where the last column begins, seconds.
    """
    columns = [0] * (round(most / step) + 1)
    for value in values:
        columns[min(int(max(value, 0.0) / step), len(columns) - 1)] += 1
    highest, width, height = max(columns) or 1, 18, 120
    bottom = height + 20
    parts = []
    for number, count in enumerate(columns):
        x, tall = _LEFT + number * width, height * count / highest
        name = f"{number * step:g} s" + (" and more" if number == len(columns) - 1 else "")
        parts.append(
            f'<rect x="{x}" y="{bottom - tall:.1f}" width="{width - 2}" height="{tall:.1f}" fill="#5b7fa3">'
            f"<title>{name}: {count}</title></rect>"
        )
        if number % round(1 / step) == 0:
            mark = f"{number * step:g}{'+' * (number == len(columns) - 1)}"
            parts.append(f'<text x="{x}" y="{bottom + 16}" text-anchor="middle">{mark}</text>')
    parts.append(f'<text x="{_LEFT + len(columns) * width / 2}" y="{bottom + 32}" text-anchor="middle">seconds</text>')
    return document(_LEFT + len(columns) * width + 10, bottom + 40, parts, label)
