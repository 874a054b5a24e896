"""The benchmark's scoring and corpus: each outcome on hand-made cases, sums that add up, truth the parser shares."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from bench.recognition.before import TREATMENTS, Treatment, lacking, treated
from bench.recognition.callouts import Callout, drug, every_callout, pressure, vital
from bench.recognition.corpus import SETS, SNRS, VOICES, Set, synthetic_clips, thinned
from bench.recognition.ear import Ear
from bench.recognition.human import number_words
from bench.recognition.plot import svg
from bench.recognition.run import QUICK
from bench.recognition.score import score
from bench.recognition.sounds import LEAD_S, TAIL_S, Say, Sounds, samples_of
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from voicelog.drill.adapt import kokoro
from voicelog.drill.judge import OUTCOMES, Entered, FalseEntries, Heard, Outcome, Score, false_entries
from voicelog.drill.summary import an_hour, by_snr, line_of, percentile, together, wilson_upper

PULSE = Callout("vitals", "pulse fifty", (vital("heart_rate", 50),))
FENTANYL = Callout("drugs", "fentanyl fifty micrograms i v", (drug("fentanyl", "50 ug", "intravenous"),))
BOTH = Callout("breath", "pulse fifty resps nine", (vital("heart_rate", 50), vital("respiratory_rate", 9)))
CONFIRM = Callout("commands", "confirm", (), ("confirm",), ("confirmed",), "fentanyl fifty micrograms i v")
SAY_AGAIN = Callout("commands", "say again", (), ("say_again",))


def entered(fields: dict[str, object], *flags: str) -> Entered:
    return Entered(fields, flags)


# Outcomes


@pytest.mark.parametrize(
    ("callout", "heard", "outcome"),
    [
        (PULSE, Heard(events=(entered(vital("heart_rate", 50)),)), "exact"),
        (PULSE, Heard(), "rejected"),
        (PULSE, Heard(question=True), "asked"),
        (PULSE, Heard(events=(entered(vital("heart_rate", 50), "label_repaired"),)), "asked"),
        (PULSE, Heard(events=(entered(vital("heart_rate", 15), "label_repaired"),)), "asked"),
        (PULSE, Heard(events=(entered(vital("heart_rate", 15)),)), "wrong"),
        (PULSE, Heard(events=(entered(vital("respiratory_rate", 50)),)), "wrong"),
        (PULSE, Heard(events=(entered(vital("heart_rate", 50, quality="weak")),)), "wrong"),
        (PULSE, Heard(events=(entered(vital("heart_rate", 50)), entered(vital("heart_rate", 50)))), "wrong"),
        (PULSE, Heard(events=(entered(vital("heart_rate", 15)),), question=True), "wrong"),
        (PULSE, Heard(commands=("confirm",), decisions=("confirmed",)), "wrong"),
        (PULSE, Heard(commands=("say_again",)), "rejected"),
        (FENTANYL, Heard(events=(entered(drug("fentanyl", "15 ug", "intravenous")),)), "wrong"),
        (FENTANYL, Heard(events=(entered(drug("fentanyl", "50 ug", "intravenous")),)), "exact"),
        (BOTH, Heard(events=(entered(vital("heart_rate", 50)),)), "missed"),
        (BOTH, Heard(events=(entered(vital("respiratory_rate", 9)), entered(vital("heart_rate", 50)))), "exact"),
        (BOTH, Heard(events=(entered(vital("heart_rate", 50)),), question=True), "asked"),
        (CONFIRM, Heard(commands=("confirm",), decisions=("confirmed",)), "exact"),
        (CONFIRM, Heard(commands=("take_back",), decisions=("rejected",)), "wrong"),
        (CONFIRM, Heard(commands=("confirm",)), "rejected"),
        (SAY_AGAIN, Heard(commands=("say_again",)), "exact"),
        (SAY_AGAIN, Heard(), "rejected"),
    ],
)
def test_an_outcome(callout: Callout, heard: Heard, outcome: str) -> None:
    assert score(callout, heard).outcome == outcome


def test_a_flagged_wrong_dose_still_counts_as_a_drug_read_back_wrong() -> None:
    judged = score(FENTANYL, Heard(events=(entered(drug("fentanyl", "50 ug", "intranasal"), "route_unusual"),)))
    assert (judged.outcome, judged.drug_wrong) == ("asked", True)


def test_a_right_drug_is_not_counted_as_read_back_wrong() -> None:
    assert not score(FENTANYL, Heard(events=(entered(drug("fentanyl", "50 ug", "intravenous")),))).drug_wrong


@pytest.mark.parametrize(
    ("fields", "name_error", "number_error"),
    [
        (drug("fentanyl", "15 ug", "intravenous"), False, True),
        (drug("sufentanil", "50 ug", "intravenous"), True, False),
        (drug("fentanyl", "50 ug", "intranasal"), False, False),
        (drug("fentanyl", "50 mg", "intravenous"), False, False),
        (vital("heart_rate", 15), False, False),
    ],
)
def test_drug_names_and_numbers_are_told_apart(fields: dict[str, object], name_error: bool, number_error: bool) -> None:
    judged = score(FENTANYL, Heard(events=(entered(fields),)))
    assert (judged.name_error, judged.number_error) == (name_error, number_error)


def test_a_drug_out_of_nothing_is_a_name_error() -> None:
    assert score(PULSE, Heard(events=(entered(drug("aspirin", "81 mg", "oral")),))).name_error


def test_a_pressure_number_is_a_number_error() -> None:
    callout = Callout("vitals", "", (pressure(150, 70),))
    assert score(callout, Heard(events=(entered(pressure(115, 70)),))).number_error


# Sums

SCORES = st.builds(Score, st.sampled_from(OUTCOMES), st.booleans(), st.booleans(), st.booleans())


@given(st.lists(st.tuples(st.sampled_from(SNRS), SCORES)))
def test_outcomes_add_up_to_the_callouts_at_every_snr_and_in_all(pairs: list[tuple[float | None, Score]]) -> None:
    lines = by_snr(pairs)
    every = lines.pop("all")
    assert sum(every.outcomes.values()) == every.count == len(pairs)
    assert all(sum(line.outcomes.values()) == line.count for line in lines.values())
    for outcome in OUTCOMES:
        assert sum(line.outcomes[outcome] for line in lines.values()) == every.outcomes[outcome]


def test_shares_of_a_line() -> None:
    outcomes: list[Outcome] = ["exact", "exact", "exact", "wrong"]
    line = line_of(Score(outcome) for outcome in outcomes)
    assert (line.share("exact"), line.share("wrong"), line.share("asked")) == (0.75, 0.25, 0.0)


def test_no_hits_in_a_hundred_still_allow_some() -> None:
    # Wilson's interval for 0 of 100 is z^2 / (n + z^2) = 3.8416 / 103.8416.
    assert wilson_upper(0, 100) == pytest.approx(0.03700, abs=1e-5)


def test_the_interval_of_exact_is_scipys() -> None:
    from scipy.stats import binomtest

    for hits, count in ((0, 7), (3, 37), (33, 37), (36, 36)):
        outcomes: list[Outcome] = [*["exact"] * hits, *["asked"] * (count - hits)]  # type: ignore[list-item]
        low, high = binomtest(hits, count).proportion_ci(method="wilson")
        assert line_of(Score(outcome) for outcome in outcomes).exact_between == pytest.approx((low, high), abs=1e-4)


def test_percentiles_by_nearest_rank() -> None:
    values = [float(n) for n in range(1, 21)]
    assert (percentile(values, 0.5), percentile(values, 0.95), percentile([3.0], 0.95)) == (10.0, 19.0, 3.0)


def test_false_entries_by_the_hour() -> None:
    heard = [
        Heard(events=(entered(vital("heart_rate", 50)), entered(drug("aspirin", "81 mg", "oral"), "cut_off"))),
        Heard(decisions=("confirmed",), commands=("confirm",)),
        Heard(question=True),
        Heard(),
    ]
    once = false_entries(600, heard)
    assert once == FalseEntries(600, events=3, drugs=1, unflagged=2, questions=1)
    twice = together([once, FalseEntries(1200)])
    assert an_hour(twice.events, twice) == 6.0


# Corpus


@pytest.fixture(scope="module")
def typed_ear() -> Iterator[Ear]:
    with Ear("script") as ear:
        yield ear


@pytest.mark.parametrize("callout", every_callout(), ids=lambda callout: callout.say)
def test_every_callout_is_exact_when_each_word_is_heard(callout: Callout, typed_ear: Ear) -> None:
    assert score(callout, typed_ear.typed(callout.say, callout.before)).outcome == "exact"


def test_no_voice_is_in_both_sets() -> None:
    def plain(chosen: Set) -> set[str]:
        return {voice.partition("@")[0] for voice in VOICES[chosen]}

    assert not plain("tune") & plain("report")
    assert plain("strange") == {f"kokoro-{name}" for name in kokoro.HELD_BACK}


@pytest.mark.parametrize("chosen", SETS)
def test_each_snr_has_two_hundred_callouts_and_all_noises(chosen: Set) -> None:
    clips = synthetic_clips(chosen)
    for snr in SNRS:
        same = [clip for clip in clips if clip.sounds.snr_db == snr]
        assert len(same) >= 200
        assert len({clip.voice for clip in same}) == len(VOICES[chosen])
        assert len({(clip.sounds.noise, clip.sounds.echo) for clip in same}) == (1 if snr is None else 12)


@pytest.mark.parametrize("chosen", SETS)
def test_a_quick_run_takes_its_share_at_every_snr_of_all_voices_and_noises(chosen: Set) -> None:
    clips = synthetic_clips(chosen)
    for snr in SNRS:
        every = sum(clip.sounds.snr_db == snr for clip in clips)
        quick = [clip for clip in thinned(clips, QUICK) if clip.sounds.snr_db == snr]
        assert abs(len(quick) - every / QUICK) <= 1
        assert len({clip.voice for clip in quick}) == len(VOICES[chosen])
        assert len({(clip.sounds.noise, clip.sounds.echo) for clip in quick}) == (1 if snr is None else 12)


@pytest.mark.parametrize(
    ("value", "names"),
    [(13, ["13"]), (20, ["20"]), (21, ["20", "1"]), (90, ["90"]), (100, ["1", "hundred"]), (105, ["1", "oh", "5"]),
     (113, ["1", "13"]), (180, ["1", "80"]), (199, ["1", "90", "9"])],
)  # fmt: skip
def test_recordings_of_a_number(value: int, names: list[str]) -> None:
    assert number_words(value) == [f"digits/{name}.g722" for name in names]


# Sound


def test_a_clip_has_the_snr_asked_for_and_sounds_the_same_twice(tmp_path: Path) -> None:
    parts = (Say("pulse fifty", "flite-slt"),)
    clean = samples_of(Sounds(parts), tmp_path).astype(float)
    noisy = samples_of(Sounds(parts, snr_db=10, noise="siren_yelp"), tmp_path)
    noise = noisy - clean
    # The speech is set to an active RMS of -24 dB below full scale.
    measured = 20 * np.log10(32768 * 10 ** (-24 / 20) / np.sqrt(np.mean(noise**2)))
    assert measured == pytest.approx(10, abs=0.1)
    assert np.array_equal(noisy, samples_of(Sounds(parts, snr_db=10, noise="siren_yelp"), tmp_path))


def test_a_clip_begins_and_ends_with_silence(tmp_path: Path) -> None:
    clean = samples_of(Sounds((Say("pulse fifty", "flite-slt"),)), tmp_path)
    lead, tail = round(LEAD_S * 16_000), round(TAIL_S * 16_000)
    assert not clean[:lead].any()
    assert not clean[-tail:].any()
    assert clean[lead:-tail].any()


# Treatments


def tone(hertz: float, amplitude: float) -> NDArray[np.int16]:
    """A second of it."""
    return np.round(amplitude * np.sin(2 * np.pi * hertz * np.arange(16_000) / 16_000)).astype(np.int16)


def decibels(samples: NDArray[np.int16], against: NDArray[np.int16]) -> float:
    """Level of the second half, the filters settled."""
    ratio = np.mean(samples[8000:].astype(float) ** 2) / np.mean(against[8000:].astype(float) ** 2)
    return float(10 * np.log10(ratio))


def test_the_high_pass_takes_the_hum_and_keeps_the_voice() -> None:
    hum, voice = tone(50, 8000), tone(1000, 8000)
    assert decibels(treated(hum, "highpass"), hum) < -25
    assert decibels(treated(voice, "highpass"), voice) == pytest.approx(0, abs=0.05)


@pytest.mark.skipif(bool(lacking("denoise")), reason=lacking("denoise"))
def test_the_denoiser_takes_noise_and_keeps_what_stands_out_of_it() -> None:
    noise = np.round(np.random.default_rng(1).standard_normal(16_000) * 300).astype(np.int16)
    speech = noise.copy()
    speech[8000:12_000] += tone(1000, 8000)[8000:12_000]
    clean = treated(speech, "denoise")
    assert decibels(clean[:12_000], speech[:12_000]) == pytest.approx(0, abs=2)
    assert decibels(treated(noise, "denoise"), noise) < -6


def test_quiet_is_24_db_down_and_loses_what_is_below_half_a_step() -> None:
    voice = tone(1000, 8000)
    assert decibels(treated(voice, "quiet"), voice) == pytest.approx(-24, abs=0.05)
    assert not treated(tone(1000, 7), "quiet").any()


@pytest.mark.parametrize("amplitude", [800, 8000])
def test_levelled_is_at_the_level_of_the_corpus_however_loud_it_was(amplitude: float) -> None:
    at_24_below = tone(1000, 32768 * 10 ** (-24 / 20) * 2**0.5)
    assert decibels(treated(tone(1000, amplitude), "levelled"), at_24_below) == pytest.approx(0, abs=0.1)


def test_levelled_leaves_silence_as_it_is() -> None:
    assert not treated(np.zeros(1600, dtype=np.int16), "levelled").any()


@pytest.mark.parametrize("treatment", [name for name in TREATMENTS if not lacking(name)])
def test_a_treated_sound_is_16_bit_and_as_long_as_before(treatment: Treatment) -> None:
    samples = tone(1000, 8000)[:12_345]
    found = treated(samples, treatment)
    assert found.dtype == np.int16
    assert found.shape == samples.shape


def test_a_treatment_that_cannot_be_had_says_how_to_get_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert lacking("denoise") == "denoise: webrtc_noise_gain is not installed; pip install webrtc-noise-gain"
    assert lacking("levelled") == ""


# Picture


def test_the_bars_of_the_picture_fill_their_height() -> None:
    lines = {"clean": {"count": 4, "exact": 2, "asked": 1, "missed": 0, "rejected": 0, "wrong": 1}, "all": {}}
    picture = ElementTree.fromstring(svg({"sphinx": {"synthetic": lines}}))
    bars = [part for part in picture.iter() if part.tag.endswith("rect") and len(part)]
    assert sum(Decimal(bar.attrib["height"]) for bar in bars) == 180
    assert len(bars) == len(OUTCOMES)
