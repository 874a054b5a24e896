"""The picture of a case: vitals, drugs, procedures, ventilation and deaf stretches on one time axis, as SVG."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from html import escape

from voicelog.events import Medication, Procedure, VitalSign
from voicelog.views.labels import written_number, written_unit
from voicelog.views.review_model import EventView, GapView, ReviewModel

_LEFT, _RIGHT, _TOP = 190, 960, 24
_VITAL_HIGH, _ROW_HIGH = 46, 26
_VENTILATION = "bag_valve_mask_ventilation"


@dataclass(frozen=True)
class Point:
    """One measured value."""

    event: EventView
    """The entry it stands in."""
    at: datetime
    """When."""
    value: Decimal
    """The value; of a blood pressure the systolic."""
    low: Decimal | None
    """The diastolic; None for any other sign, and for a pressure by palpation."""


@dataclass(frozen=True)
class Series:
    """One vital sign over time, in one unit."""

    name: str
    """Such as ``heart rate``."""
    unit: str
    """As written."""
    points: tuple[Point, ...]
    """In order of time."""

    @property
    def span(self) -> tuple[Decimal, Decimal]:
        """The lowest and the highest value."""
        values = [value for point in self.points for value in (point.value, point.low) if value is not None]
        return min(values), max(values)


@dataclass(frozen=True)
class Span:
    """A stretch of time."""

    label: str
    """What it is."""
    start: datetime
    """From."""
    end: datetime
    """To; the end of the record where nothing ended it."""
    event: EventView | None
    """The entry that began it, if any."""


def standing(model: ReviewModel) -> list[EventView]:
    """The entries that count: all but the amended and the rejected."""
    return [one for one in model.events if one.recorded.status not in ("amended", "rejected") and one.at]


def vital_series(model: ReviewModel) -> tuple[Series, ...]:
    """Every vital sign that was measured, a series for each unit."""
    found: dict[tuple[str, str], list[Point]] = {}
    for one in standing(model):
        event = one.recorded.event
        if not isinstance(event, VitalSign) or one.at is None:
            continue
        value = event.value if event.value is not None else Decimal(event.systolic or 0)
        low = None if event.diastolic is None else Decimal(event.diastolic)
        found.setdefault((event.sign, event.unit or ""), []).append(Point(one, one.at, value, low))
    return tuple(
        Series(sign.replace("_", " "), written_unit(unit), tuple(sorted(points, key=lambda point: point.at)))
        for (sign, unit), points in found.items()
    )


def ventilation_spans(model: ReviewModel) -> tuple[Span, ...]:
    """When the patient was ventilated by bag and mask."""
    spans: list[Span] = []
    began: EventView | None = None
    for one in sorted(standing(model), key=lambda view: view.at or model.began):
        event = one.recorded.event
        if not isinstance(event, Procedure) or event.procedure != _VENTILATION or one.at is None:
            continue
        if event.action == "stopped":
            if began and began.at:
                spans.append(Span("ventilation", began.at, one.at, began))
            began = None
        elif began is None:
            began = one
    if began and began.at:
        spans.append(Span("ventilation, end not said", began.at, model.ended, began))
    return tuple(spans)


def deaf_spans(gaps: Sequence[GapView], ended: datetime) -> tuple[Span, ...]:
    """When nothing was heard."""
    return tuple(Span(f"deaf: {gap.reason}", gap.at, max(gap.at, _end(gap, ended)), None) for gap in gaps)


def _end(gap: GapView, ended: datetime) -> datetime:
    return ended if gap.seconds is None else gap.at + timedelta(seconds=float(gap.seconds))


class _Axis:
    """Places times from left to right."""

    def __init__(self, moments: Sequence[datetime]) -> None:
        self.first, last = min(moments), max(moments)
        self.seconds = max((last - self.first).total_seconds(), 60.0)

    def x(self, at: datetime) -> float:
        return round(_LEFT + (_RIGHT - _LEFT - 20) * (at - self.first).total_seconds() / self.seconds, 1)

    def ticks(self) -> list[datetime]:
        step = next((one for one in (15, 30, 60, 120, 300, 600, 1200, 1800, 3600) if self.seconds / one <= 9), 7200)
        return [self.first + timedelta(seconds=step * place) for place in range(int(self.seconds // step) + 1)]


def chart_svg(model: ReviewModel) -> str:
    """The picture; every mark of an entry is a link to it that says what it is."""
    views = standing(model)
    series, spans = vital_series(model), ventilation_spans(model)
    deaf = deaf_spans(model.gaps, model.ended)
    drugs = [one for one in views if isinstance(one.recorded.event, Medication)]
    acts = [one for one in views if isinstance(one.recorded.event, Procedure)]
    moments = [one.at for one in views if one.at] + [model.began, model.ended]
    axis = _Axis([*moments, *(span.end for span in deaf)])
    parts: list[str] = []
    y = _TOP
    for one in series:
        parts += _vital(one, axis, y)
        y += _VITAL_HIGH
    for label, row in (("drugs", drugs), ("procedures", acts)):
        if row:
            parts += [_label(label, y + 16), *(_mark(view, axis.x(view.at), y + 13) for view in row if view.at)]
            y += _ROW_HIGH
    for label, stretch, look in (("ventilated", spans, "span"), ("not heard", deaf, "deaf")):
        if stretch:
            parts += [_label(label, y + 16), *(_bar(span, axis, y + 5, look) for span in stretch)]
            y += _ROW_HIGH
    lines = "".join(
        f'<line class="grid" x1="{axis.x(at)}" x2="{axis.x(at)}" y1="{_TOP - 4}" y2="{y}"/>'
        f'<text x="{axis.x(at)}" y="{_TOP - 9}" text-anchor="middle">{at:%H:%M:%S}</text>'
        for at in axis.ticks()
    )
    body = lines + "".join(parts)
    return f'<svg viewBox="0 0 {_RIGHT} {y + 8}" role="group" aria-label="Time chart of the case">{body}</svg>'


def _label(text: str, y: float) -> str:
    return f'<text x="4" y="{y}">{escape(text)}</text>'


def _vital(series: Series, axis: _Axis, top: int) -> Iterable[str]:
    low, high = series.span
    span = float(high - low) or 1.0

    def y(value: Decimal) -> float:
        return round(top + 34 - 24 * float(value - low) / span, 1)

    spread = written_number(low) if low == high else f"{written_number(low)} to {written_number(high)}"
    yield _label(series.name, top + 18)
    yield f'<text class="unit" x="4" y="{top + 33}">{escape(spread)} {escape(series.unit)}</text>'
    if len(series.points) > 1:
        path = " ".join(f"{axis.x(point.at)},{y(point.value)}" for point in series.points)
        yield f'<polyline class="line" points="{path}"/>'
    for point in series.points:
        if point.low is not None:
            x = axis.x(point.at)
            yield f'<line class="range" x1="{x}" x2="{x}" y1="{y(point.value)}" y2="{y(point.low)}"/>'
        yield _mark(point.event, axis.x(point.at), y(point.value))


def _mark(view: EventView, x: float, y: float) -> str:
    """Filled for confirmed; an open triangle for what is not, so that the look does not rest on a colour."""
    name, status = escape(view.recorded.id), view.recorded.status
    shape = (
        f'<circle cx="{x}" cy="{y}" r="5"/>'
        if status == "confirmed"
        else f'<path class="open" d="M{x} {y - 7} L{x + 7} {y + 6} L{x - 7} {y + 6} Z"/>'
    )
    told = escape(f"{view.at:%H:%M:%S} {view.text}, {status}")
    return f'<a href="#{name}"><title>{told}</title>{shape}</a>'


def _bar(span: Span, axis: _Axis, y: float, look: str) -> str:
    x = axis.x(span.start)
    wide = round(max(axis.x(span.end) - x, 2.0), 1)
    told = escape(f"{span.label}, {span.start:%H:%M:%S} to {span.end:%H:%M:%S}")
    bar = f'<rect class="{look}" x="{x}" y="{y}" width="{wide}" height="15"/>'
    if span.event is None:
        return f'<g role="img" aria-label="{told}"><title>{told}</title>{bar}</g>'
    name = escape(span.event.recorded.id)
    return f'<a href="#{name}"><title>{told}</title>{bar}</a>'
