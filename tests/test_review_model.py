"""The data of the supervisor's page: words and fields linked both ways, what made no entry, spans, marks."""

from __future__ import annotations

import re
from collections import Counter
from decimal import Decimal
from pathlib import Path

import pytest
from checks_case import T0
from report_cases import NAMES, OPENED, sample_file, told_file
from review_cases import LINES, heard_file, model_of

from voicelog.casefile.chain import EntryDraft
from voicelog.casefile.store import CaseFile
from voicelog.views.review_chart import chart_svg, deaf_spans, ventilation_spans, vital_series
from voicelog.views.review_model import ReviewModel, _second
from voicelog.views.review_page import review_html
from voicelog.views.review_quality import open_items, quality


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> ReviewModel:
    return model_of(heard_file(tmp_path_factory.mktemp("review") / "case.vlog", *LINES))


def event(model: ReviewModel, start: str) -> str:
    return next(one.recorded.id for one in model.events if one.text.startswith(start))


def test_a_field_and_its_words_name_each_other(model: ReviewModel) -> None:
    name = event(model, "epinephrine")
    view = next(one for one in model.events if one.recorded.id == name)
    dose = next(field for field in view.fields if field.name == "dose")
    utterance = next(one for one in model.utterances if one.id == dose.utterance)
    assert [word.text for word in utterance.words if dose.key in word.fields] == ["zero", "point", "three"]
    assert dose.words == "zero point three"
    assert utterance.clip == dose.clip


def test_a_field_says_where_its_words_lie_in_its_clip(model: ReviewModel) -> None:
    # "epinephrine" is the first word, from 0.5 to 1.0 s of its clip; "zero point three" are the next three.
    view = next(one for one in model.events if one.text.startswith("epinephrine"))
    dose = next(field for field in view.fields if field.name == "dose")
    assert (dose.start, dose.end) == (Decimal("1.0"), Decimal("2.5"))


def test_an_utterance_that_made_no_entry_is_there_with_its_reason(model: ReviewModel) -> None:
    (lost,) = [one for one in model.utterances if one.outcome == "not understood"]
    assert " ".join(word.text for word in lost.words) == "who turned the light off"
    assert any(turn.kind == "not_understood" for turn in lost.turns)


def test_the_dialogue_stands_with_the_utterance(model: ReviewModel) -> None:
    confirm = next(one for one in model.utterances if one.outcome == "command")
    assert any("confirmed: spoken confirm" in turn.text for turn in confirm.turns)
    assert any(turn.kind == "read_back" for turn in model.utterances[1].turns)


def test_a_typed_case_links_words_without_times(tmp_path: Path) -> None:
    model = model_of(told_file(tmp_path / "typed.vlog", (0.0, "pulse ninety")))
    assert [word.fields for word in model.utterances[0].words] == [(), ("E1.value",)]
    assert {(field.clip, field.start) for field in model.events[0].fields} == {("", None)}


def test_other_readings_and_the_second_listener_stand_with_the_utterance(tmp_path: Path) -> None:
    path = tmp_path / "pair.vlog"
    readings = [["pulse", "ninety"], ["pulse", "nineteen"]]
    body = {
        "id": "U1",
        "start": None,
        "end": None,
        "clip": None,
        "faults": ["clipped"],
        "listener": "pair",
        "alternatives": [
            {"words": [{"text": word, "start": None, "end": None, "confidence": None} for word in reading]}
            for reading in readings
        ],
        "second": {"words": ["pulse", "is", "90"], "refusal": "", "score": None, "fits": []},
    }
    with CaseFile.create(path, OPENED, T0) as case:
        case.append([EntryDraft("utterance", body, T0)])
        case.close_case(T0)
    (view,) = model_of(path).utterances
    assert (view.runners_up, view.second, view.faults) == (("pulse nineteen",), "pulse is 90", ("clipped",))
    page = review_html(model_of(path))
    assert "other reading: pulse nineteen" in page
    assert "second listener: pulse is 90" in page


@pytest.mark.parametrize(
    ("borne_out", "told"),
    [
        (True, "the grammar listener heard the same"),
        (False, "the grammar listener did not hear the same"),
        (None, "another wrote the same by itself"),
    ],
)
def test_what_an_adapted_listener_wrote_is_told_too(borne_out: bool | None, told: str) -> None:
    adapted = {"words": ["pulse", "90"], "score": "-0.100", "borne_out": borne_out}
    body: dict[str, object] = {"words": ["pulls", "90"], "refusal": "", "adapted": adapted}
    assert _second(body) == f"pulls 90; adapted listener: pulse 90; {told}"
    body["adapted"] = {**adapted, "led_by_number": "4.2", "led_by_name": "-1.0"}
    vote = "set beside others it leads by 4.2 over any other number and -1.0 over any other name"
    assert _second(body) == f"pulls 90; adapted listener: pulse 90; {told}; {vote}"
    body["unlike_adapted"] = True
    assert _second(body) == f"pulls 90; the other one proposed: pulse 90; {told}; {vote}"
    body = {**body, "unlike_adapted": False, "adapted": {**adapted, "third": ["pulse", "19"]}}
    asked = "asked in doubt, a third wrote: pulse 19"
    assert _second(body) == f"pulls 90; adapted listener: pulse 90; {told}; {asked}"


def test_a_unit_that_nobody_said_is_shown_as_assumed(tmp_path: Path) -> None:
    model = model_of(told_file(tmp_path / "assumed.vlog", (0.0, "naloxone zero point four intravenous")))
    assert "unit_assumed" in model.events[0].recorded.flags
    assert 'class="field assumed"' in review_html(model)
    assert "assumed, not said" in review_html(model)


def test_a_correction_points_both_ways(tmp_path: Path) -> None:
    lines = ((0.0, "pulse ninety"), (0.1, "correction pulse eighty"))
    model = model_of(told_file(tmp_path / "corrected.vlog", *lines))
    assert [(one.recorded.amends, one.corrected_by) for one in model.events] == [(None, "E2"), ("E1", "")]


def test_ventilation_and_deaf_stretches_are_spans(model: ReviewModel) -> None:
    (span,) = ventilation_spans(model)
    assert (span.end - span.start).total_seconds() == 70
    (deaf,) = deaf_spans(model.gaps, model.ended)
    assert (deaf.end - deaf.start).total_seconds() == 10


def test_a_series_has_its_values_in_order(model: ReviewModel) -> None:
    values = {one.name: [(point.value, point.low) for point in one.points] for one in vital_series(model)}
    assert values == {"heart rate": [(118, None)], "blood pressure": [(98, 54)]}


@pytest.mark.parametrize(
    ("age", "told", "heart", "saturation"),
    [
        # PALS 2015 normal ranges awake (secondary copy); adult ones common practice, no source.
        ("patient is a four year old male", "for the age said (from 3 years to below 6 years)", (80, 120), None),
        ("patient is a thirty four year old female", "for the age said (from 16 years)", (60, 100), (94, 100)),
        ("on scene", "as no age was said", (60, 100), (94, 100)),
    ],
)
def test_normal_values_are_those_of_the_age(
    tmp_path: Path, age: str, told: str, heart: tuple[int, int], saturation: tuple[int, int] | None
) -> None:
    lines = ((0.0, age), (0.5, "heart rate one hundred thirty"))
    model = model_of(told_file(tmp_path / "aged.vlog", *lines))
    assert told in model.normal.told
    assert "source: " in model.normal.told
    of_saturation = model.normal.of("oxygen_saturation", "%")
    assert tuple(map(int, model.normal.of("heart_rate", "/min") or ())) == heart
    assert (tuple(map(int, of_saturation)) if of_saturation else None) == saturation
    svg = chart_svg(model)
    assert f"normal {heart[0]} to {heart[1]}" in svg
    assert svg.count('class="normal"') == 1
    assert model.normal.told in review_html(model)


@pytest.mark.parametrize(
    ("sign", "unit", "low", "high"),
    [
        # 35 mmHg is 4.666 kPa and 45 mmHg 6.000 kPa (NIST SP 811 appendix B); 70 mg/dL of glucose is 3.886 mmol/L and
        # 140 mg/dL 7.771 (molar mass 180.156 g/mol); 36.1 degrees Celsius is 96.98 Fahrenheit and 37.8 is 100.04.
        ("end_tidal_co2", "kPa", "4.7", "6.0"),
        ("blood_glucose", "mmol/L", "3.9", "7.8"),
        ("temperature", "[degF]", "97.0", "100.0"),
        ("temperature", "Cel", "36.1", "37.8"),
    ],
)
def test_normal_values_are_told_in_the_unit_that_was_said(
    model: ReviewModel, sign: str, unit: str, low: str, high: str
) -> None:
    assert model.normal.of(sign, unit) == (Decimal(low), Decimal(high))


def test_a_childs_pressure_has_a_normal_band_for_each_of_its_two_values(tmp_path: Path) -> None:
    lines = ((0.0, "patient is a four year old male"), (0.5, "blood pressure ninety eight over fifty four"))
    svg = chart_svg(model_of(told_file(tmp_path / "child.vlog", *lines)))
    # PALS 2015, three to five years: systolic 89 to 112, diastolic 46 to 72 (secondary copy).
    assert "normal upper 89 to 112<" in svg
    assert "lower 46 to 72<" in svg
    assert svg.count('class="normal"') == 2


def test_a_value_lies_above_below_or_in_its_normal_band(tmp_path: Path) -> None:
    lines = ((0.0, "heart rate one hundred thirty"), (1.0, "heart rate eighty"), (2.0, "heart rate forty two"))
    svg = chart_svg(model_of(told_file(tmp_path / "band.vlog", *lines)))
    band = re.search(r'class="normal" x="[\d.]+" y="([\d.]+)" width="[\d.]+" height="([\d.]+)"', svg)
    assert band is not None
    top, bottom = float(band[1]), float(band[1]) + float(band[2])
    line = re.search(r'polyline class="line" points="([^"]+)"', svg)
    assert line is not None
    high, usual, low = (float(point.split(",")[1]) for point in line[1].split())
    assert high < top < usual < bottom < low


def test_drugs_and_procedures_have_lanes_of_their_own(model: ReviewModel) -> None:
    svg = chart_svg(model)
    for lane in ("epinephrine", "naloxone", "bag valve mask ventilation"):
        assert svg.count(f">{lane}</text>") == 1
    assert ">0.3 mg</text>" in svg


def test_the_picture_shows_an_unconfirmed_entry_with_another_shape(model: ReviewModel) -> None:
    svg = chart_svg(model)
    mark = svg[svg.index(f'href="#{event(model, "naloxone")}"') :]
    assert mark[: mark.index("</a>")].count('class="open"') == 1
    mark = svg[svg.index(f'href="#{event(model, "epinephrine")}"') :]
    assert "<circle" in mark[: mark.index("</a>")]


def test_the_marks_count_what_is_there(model: ReviewModel) -> None:
    marks = quality(model)
    assert (marks.utterances, marks.entries, marks.unconfirmed, marks.not_understood) == (8, 6, 1, 1)
    assert marks.deaf_seconds == 10
    assert any("naloxone" in item for item in open_items(model))


@pytest.mark.parametrize("name", NAMES)
def test_a_samples_states_are_those_of_its_record(name: str, tmp_path: Path) -> None:
    model = model_of(sample_file(tmp_path / "sample.vlog", name))
    assert Counter(one.recorded.status for one in model.events) == Counter(one.status for one in model.state.events)
    drawn = sum(len(series.points) for series in vital_series(model))
    standing = [one for one in model.events if one.recorded.status not in ("amended", "rejected")]
    assert drawn == sum(one.recorded.event.kind == "vital_sign" for one in standing)
    assert chart_svg(model).count("<title>") >= drawn
