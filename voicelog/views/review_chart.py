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
from voicelog.views.review_normal import NormalRanges

_LEFT, _RIGHT, _WIDE, _TOP = 210, 926, 960, 24
_VITAL_HIGH, _LANE_HIGH = 64, 26
_MANY = 200
"""Entries from which on their marks are drawn smaller."""
_SIGN_WIDE = 7
"""Pixels that a sign takes at the most."""
_PARTS = {"blood_pressure": {"systolic": "upper ", "diastolic": "lower "}}
"""Signs that are two values: the name of each among the normal values, and what it is called beside them."""
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

    sign: str
    """Such as ``heart_rate``."""
    unit: str
    """Its UCUM code; '' for none."""
    points: tuple[Point, ...]
    """In order of time."""

    @property
    def name(self) -> str:
        """Such as ``heart rate``."""
        return self.sign.replace("_", " ").replace("co2", "CO2")

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
        Series(sign, unit, tuple(sorted(points, key=lambda point: point.at))) for (sign, unit), points in found.items()
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
        return round(_LEFT + (_RIGHT - _LEFT) * (at - self.first).total_seconds() / self.seconds, 1)

    def ticks(self) -> list[datetime]:
        step = next((one for one in (15, 30, 60, 120, 300, 600, 1200, 1800, 3600) if self.seconds / one <= 9), 7200)
        return [self.first + timedelta(seconds=step * place) for place in range(int(self.seconds // step) + 1)]


def chart_svg(model: ReviewModel) -> str:
    """The picture; every mark of an entry is a link to it that says what it is."""
    views = standing(model)
    series, spans = vital_series(model), ventilation_spans(model)
    deaf = deaf_spans(model.gaps, model.ended)
    moments = [one.at for one in views if one.at] + [model.began, model.ended]
    axis = _Axis([*moments, *(span.end for span in deaf)])
    parts: list[str] = []
    y = _TOP
    for one in series:
        parts += _vital(one, model.normal, axis, y)
        y += _VITAL_HIGH
    for label, row in _lanes(views).items():
        bars = spans if label == _VENTILATION.replace("_", " ") else ()
        parts += [_label(label, y + 17), *(_bar(span, axis, y + 5, "span") for span in bars), *_row(row, axis, y + 13)]
        y += _LANE_HIGH
    if deaf:
        parts += [_label("not heard", y + 17), *(_bar(span, axis, y + 5, "deaf") for span in deaf)]
        y += _LANE_HIGH
    lines = "".join(
        f'<line class="grid" x1="{axis.x(at)}" x2="{axis.x(at)}" y1="{_TOP - 4}" y2="{y}"/>'
        f'<text x="{axis.x(at)}" y="{_TOP - 9}" text-anchor="middle">{at:%H:%M:%S}</text>'
        for at in axis.ticks()
    )
    body = lines + "".join(parts)
    dense = ' class="dense"' if len(views) > _MANY else ""
    return f'<svg{dense} viewBox="0 0 {_WIDE} {y + 8}" role="group" aria-label="Time chart of the case">{body}</svg>'


def _lanes(views: Sequence[EventView]) -> dict[str, list[EventView]]:
    """A lane for each drug, then one for each procedure, each by its first time."""
    lanes: dict[str, list[EventView]] = {}
    for kind in (Medication, Procedure):
        for view in sorted(views, key=lambda one: (one.at is None, one.at)):
            event = view.recorded.event
            if isinstance(event, kind):
                name = event.drug if isinstance(event, Medication) else event.procedure
                lanes.setdefault(name.replace("_", " "), []).append(view)
    return lanes


def _label(text: str, y: float) -> str:
    return f'<text x="4" y="{y}">{escape(text)}</text>'


def _row(views: Sequence[EventView], axis: _Axis, y: float) -> Iterable[str]:
    """The marks of a lane, each with a few words behind it where there is room up to the next."""
    places = [axis.x(view.at) for view in views if view.at]
    for place, view in enumerate(views):
        x = places[place]
        room = (places[place + 1] if place + 1 < len(places) else _WIDE) - x - 12
        told = _told(view)
        if told and len(told) * _SIGN_WIDE < room:
            yield f'<text class="unit" x="{x + 9}" y="{y + 4}">{escape(told)}</text>'
        yield _mark(view, x, y)


def _told(view: EventView) -> str:
    event = view.recorded.event
    if isinstance(event, Medication):
        dose = f"{written_number(event.dose)} {written_unit(event.unit)}" if event.dose is not None else ""
        return dose if event.action == "given" else f"{dose} ({event.action.replace('_', ' ')})".strip()
    return event.action if isinstance(event, Procedure) and event.action != "done" else ""


def _vital(series: Series, normal: NormalRanges, axis: _Axis, top: int) -> Iterable[str]:
    names = _PARTS.get(series.sign, {series.sign: ""})
    known = {told: band for name, told in names.items() if (band := normal.of(name, series.unit))}
    bands = list(known.values())
    low, high = series.span
    least, most = min([low, *(band[0] for band in bands)]), max([high, *(band[1] for band in bands)])

    def y(value: Decimal) -> float:
        up = float((value - least) / (most - least)) if most > least else 0.5
        return round(top + _VITAL_HIGH - 14 - (_VITAL_HIGH - 26) * up, 1)

    spread = written_number(low) if low == high else f"{written_number(low)} to {written_number(high)}"
    yield _label(series.name, top + 18)
    yield f'<text class="unit" x="4" y="{top + 34}">{escape(f"{spread} {written_unit(series.unit)}")}</text>'
    for line, (told, (one, other)) in enumerate(known.items()):
        usual = f"{'' if line else 'normal '}{told}{written_number(one)} to {written_number(other)}"
        yield f'<text class="unit" x="4" y="{top + 50 + 14 * line}">{usual}</text>'
    for bottom, upper in bands:
        high_px = round(y(bottom) - y(upper), 1)
        yield f'<rect class="normal" x="{_LEFT}" y="{y(upper)}" width="{_RIGHT - _LEFT}" height="{high_px}"/>'
    if len(series.points) > 1:
        path = " ".join(f"{axis.x(point.at)},{y(point.value)}" for point in series.points)
        yield f'<polyline class="line" points="{path}"/>'
    written_to = 0.0
    for point in series.points:
        x = axis.x(point.at)
        if point.low is not None:
            yield f'<line class="range" x1="{x}" x2="{x}" y1="{y(point.value)}" y2="{y(point.low)}"/>'
        told = written_number(point.value) + (f"/{written_number(point.low)}" if point.low is not None else "")
        if x > written_to:
            yield f'<text class="value" x="{x + 8}" y="{y(point.value) - 4}">{told}</text>'
            written_to = x + 8 + len(told) * _SIGN_WIDE
        yield _mark(point.event, x, y(point.value))


def _mark(view: EventView, x: float, y: float) -> str:
    """Filled for confirmed; an open triangle for what is not, so that the look does not rest on a colour."""
    name, status = escape(view.recorded.id), view.recorded.status
    shape = (
        f'<circle cx="{x}" cy="{y}" r="5"/>'
        if status == "confirmed"
        else f'<path class="open" d="M{x} {round(y - 7, 1)}l7 13h-14z"/>'
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
