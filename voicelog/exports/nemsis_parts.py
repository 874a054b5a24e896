"""What the sections of a NEMSIS document share: the mapped groups of a case, exact rounding, and what is listed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import ROUND_HALF_UP, Decimal

from voicelog.casefile.state import RecordedEvent
from voicelog.exports.nemsis_codes import Limits
from voicelog.exports.nemsis_xml import Node, absent
from voicelog.exports.source import CaseRecord, happened, told

_EARLIEST, _LATEST = datetime(1950, 1, 1, tzinfo=UTC), datetime(2050, 1, 1, tzinfo=UTC)


@dataclass
class Mapped:
    """What has been mapped of a case so far."""

    record: CaseRecord
    """The case."""
    rxnorm: Mapping[str, str]
    """Generic drug name to the RxNorm code of the ingredient."""
    values: dict[str, list[Node]] = field(default_factory=dict)
    """Element or group name to the nodes that stand there."""
    remarks: list[str] = field(default_factory=list)
    """What could not be mapped, or not exactly, a line each."""
    standings: list[tuple[str, str]] = field(default_factory=list)
    """Correlation ID of a mapped group, or name of a mapped element with its entry, and where the entries stand."""

    def add(self, name: str, *nodes: Node) -> None:
        """Put nodes behind those of that name."""
        self.values.setdefault(name, []).extend(nodes)

    def remark(self, recorded: RecordedEvent, why: str) -> None:
        """List an event, and what of it the document does not say."""
        self.remarks.append(f"{told(recorded)}: {why}")

    def number(self, recorded: RecordedEvent, value: Decimal | int, limits: Limits) -> Node | None:
        """A number in its element, rounded to the places it takes; None when it is out of the element's limits."""
        given = Decimal(value)
        # Far out of the limits there is nothing to round, and a number of very many digits could not be.
        near = limits.low - 1 < given < limits.high + 1
        rounded = given.quantize(Decimal(1).scaleb(-limits.places), ROUND_HALF_UP) if near else given
        if not limits.low <= rounded <= limits.high:
            span = f"{limits.low:f} to {limits.high:f}"
            self.remark(recorded, f"{given:f} is not within {span}, as {limits.element} asks")
            return None
        text = plain_number(rounded)
        if rounded != given:
            self.remark(recorded, f"{given:f} stands as {text} in {limits.element}, which takes no more digits")
        return Node(limits.element, text)

    def time(self, recorded: RecordedEvent, element: str) -> Node:
        """When an event happened; Not Recorded where the standard has no such year."""
        moment = happened(self.record, recorded)
        if not _EARLIEST <= moment <= _LATEST:
            self.remark(recorded, f"its time is not within 1950 to 2050, as {element} asks")
            return absent(element)
        return Node(element, moment.isoformat())

    def coded(self, recorded: RecordedEvent, element: str, term: str | None, codes: Mapping[str, str]) -> Node | None:
        """A term as its code; None, and listed, when no code says exactly it."""
        if term is None:
            return None
        if term not in codes:
            self.remark(recorded, f"{element} has no code for {term.replace('_', ' ')!r}")
            return None
        return Node(element, codes[term])


def plain_number(value: Decimal) -> str:
    """Digits without trailing zeros or exponent."""
    text = format(value, "f")
    return text.rstrip("0").rstrip(".") if "." in text else text
