"""Bad sound is said once, and what was heard in it waits for a confirm."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from voicelog.audio.flac import encode_flac
from voicelog.audio.quality import Fault
from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.store import CaseFile
from voicelog.dialogue.hearing import AGAIN, notice
from voicelog.grammar.loader import load_grammar
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import AdaptedOpinion, Fit, Hypothesis, SecondOpinion, Utterance
from voicelog.session import Session, Span

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
FLAC = encode_flac(np.zeros(1600, np.int16))


@pytest.fixture
def session(tmp_path: Path) -> Session:
    case = CaseFile.create(tmp_path / "case.voicelog", {"source": "test"}, NOON)
    return Session(load_grammar(), case, "script")


def hear(session: Session, text: str, *faults: Fault, after_s: int = 0) -> list[EntryDraft]:
    span = Span(Decimal(0), Decimal(1), FLAC, faults=faults)
    return session.hear(Utterance((Hypothesis(words_of(text)),)), NOON + timedelta(seconds=after_s), span)


def flags(entries: list[EntryDraft]) -> list[str]:
    return [flag for entry in entries if entry.type == "event" for flag in entry.body["flags"]]


@pytest.mark.parametrize("fault", ["noisy", "clipped", "too_soft", "narrow_band"])
def test_a_callout_in_bad_sound_waits_for_a_confirm(session: Session, fault: Fault) -> None:
    entries = hear(session, "heart rate ninety", fault)
    assert flags(entries) == ["hard_to_hear"]
    assert any(entry.body.get("text", "").endswith("hard to hear. Confirm?") for entry in entries)


@pytest.mark.parametrize(
    "texts",
    [("heart rate ninety", "correction eighty"), ("pressure one twenty", "eighty"), ("glucose five", "millimoles")],
)
def test_a_correction_or_an_answer_in_bad_sound_waits_too(session: Session, texts: tuple[str, str]) -> None:
    hear(session, texts[0])
    assert flags(hear(session, texts[1], "noisy")) == ["hard_to_hear"]


@pytest.mark.parametrize(("faults", "asked"), [((), False), (("too_soft",), False), (("noisy",), True)])
def test_in_noise_a_number_that_sounds_alike_is_asked_about_though_two_listeners_wrote_it(
    session: Session, faults: tuple[Fault, ...], asked: bool
) -> None:
    """Both listeners have written "forty" for "fourteen" at 0 dB; the lead of 8 lies between the two thresholds."""
    fits = (Fit(("resps", "forty"), "Resps 40.", -0.1, 5), Fit(("resps", "fourteen"), "Resps 14.", -0.9, 5))
    words = words_of("resps 40")
    adapted = AdaptedOpinion(words, -0.1, fits, None, 3.0)
    second = SecondOpinion(words, "", -0.1, fits, adapted=adapted)
    utterance = Utterance((Hypothesis(words_of("resps forty")),), second)
    entries = session.hear(utterance, NOON, Span(Decimal(0), Decimal(1), FLAC, faults=faults))
    assert [entry.type for entry in entries].count("event") == (not asked)
    assert any("or one four?" in str(entry.body.get("text")) for entry in entries) == asked, entries
    if asked:
        # A number that answers in the same noise may be heard wrongly by both again: it waits for a confirm.
        again = Utterance((Hypothesis(words_of("forty")),), SecondOpinion(words_of("40"), "", -0.1, adapted=adapted))
        assert flags(session.hear(again, NOON, Span(Decimal(1), Decimal(2), FLAC, faults=faults))) == ["hard_to_hear"]


def test_a_callout_in_good_sound_stands(session: Session) -> None:
    assert flags(hear(session, "heart rate ninety")) == []


def test_bad_sound_is_said_and_kept_in_the_file(session: Session) -> None:
    entries = hear(session, "the weather is nice", "noisy")
    notices = [entry.body for entry in entries if entry.type == "notice"]
    assert notices == [{"fault": "noisy", "text": "Too noisy, I cannot hear you well. Come closer."}]
    assert [entry.body for entry in session.case.entries() if entry.type == "notice"] == notices


def test_it_does_not_nag(session: Session) -> None:
    hear(session, "the weather is nice", "noisy")
    assert not [entry for entry in hear(session, "it really is", "noisy", after_s=60) if entry.type == "notice"]


def test_the_worst_fault_that_is_new_is_told() -> None:
    assert notice(("noisy", "clipped"), NOON, {}) == ("noisy", "Too noisy, I cannot hear you well. Come closer.")
    told: dict[Fault, datetime] = {"noisy": NOON}
    found = notice(("noisy", "clipped"), NOON + timedelta(seconds=1), told)
    assert found
    assert found[0] == "clipped"
    assert notice(("noisy",), NOON + AGAIN, told) is not None
