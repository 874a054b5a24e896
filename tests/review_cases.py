"""Cases for the tests of the review: a sample as heard from its audio, once a run, and cases told in typed words."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import numpy as np
from checks_case import GRAMMAR, PROTOCOL, T0
from report_cases import OPENED

from voicelog.audio.flac import encode_flac
from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.store import CaseFile
from voicelog.parse.tokens import words_of
from voicelog.recognisers.base import Hypothesis, Utterance, Word
from voicelog.session import Session, Span
from voicelog.views.review_model import ReviewModel, review_model

SECONDS_A_WORD = 0.5


def heard_file(path: Path, *lines: tuple[float, str], close: bool = True) -> Path:
    """A case of utterances with audio: each begins at its second, half a second before its first word."""
    with CaseFile.create(path, OPENED, T0) as case:
        session = Session(GRAMMAR, case, "script", protocol=PROTOCOL)
        for second, text in lines:
            start = second + 0.5
            words = tuple(
                Word(word.text, start + place * SECONDS_A_WORD, start + (place + 1) * SECONDS_A_WORD)
                for place, word in enumerate(words_of(text))
            )
            end = start + len(words) * SECONDS_A_WORD + 0.5
            # Noise, so that no stretch of it can be taken for another.
            noise = np.random.default_rng(int(second)).integers(-2000, 2000, int((end - second) * 16000))
            samples = noise.astype(np.int16)
            span = Span(Decimal(str(second)), Decimal(str(end)), encode_flac(samples))
            session.hear(Utterance((Hypothesis(words),)), T0 + timedelta(seconds=second), span)
        session.note_gap(Decimal(90), Decimal(100), "the microphone was unplugged", T0 + timedelta(seconds=90))
        if close:
            session.close(T0 + timedelta(seconds=120))
    return path


LINES = (
    (0.0, "bag valve mask ventilation started"),
    (10.0, "heart rate one hundred eighteen regular"),
    (20.0, "epinephrine zero point three milligrams intramuscular left thigh"),
    (30.0, "confirm"),
    (40.0, "blood pressure ninety eight over fifty four"),
    (50.0, "naloxone zero point four milligrams intravenous"),
    (60.0, "who turned the light off"),
    (70.0, "bag valve mask ventilation stopped"),
)


def model_of(path: Path) -> ReviewModel:
    with CaseFile.open(path) as case:
        return review_model(path.name, list(case.entries()), PROTOCOL, GRAMMAR.drugs, case.problems())


def told_by_pair(path: Path) -> Path:
    """To an open case: an utterance that two listeners heard, with another reading and bad sound; then it is closed."""
    readings = [["pulse", "ninety"], ["pulse", "nineteen"]]
    alternatives = [
        {"words": [{"text": word, "start": None, "end": None, "confidence": None} for word in reading]}
        for reading in readings
    ]
    body = {"id": "U99", "start": None, "end": None, "clip": None, "faults": ["clipped"], "listener": "pair"}
    second = {"words": ["pulse", "is", "90"], "refusal": "", "score": None, "fits": []}
    at = T0 + timedelta(seconds=110)
    with CaseFile.open(path, write=True) as case:
        case.append([EntryDraft("utterance", {**body, "alternatives": alternatives, "second": second}, at)])
        case.close_case(at)
    return path
