"""The extra pronunciations: right phones, no clash with the bundled words, every drug sayable and distinct."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest
from pocketsphinx import Decoder, get_model_path

ROOT = Path(__file__).parents[1]
# The phone set of the bundled en-us acoustic model (CMUdict without stress).
PHONE_LIST = """
AA AE AH AO AW AY B CH D DH EH ER EY F G HH IH IY JH K L M N NG OW OY P R S SH T TH UH UW V W Y Z ZH
"""
PHONES = set(PHONE_LIST.split())
ENTRY = re.compile(r"(?P<word>[a-z']+)(\((?P<number>[2-9])\))?  [A-Z]{1,2}( [A-Z]{1,2})*")
TRADE_WORDS = (
    "intranasal intramuscular intraosseous intravenous subcutaneous sublingual nebulized nebulizer sats palp palpated "
    "resps diaphoretic cyanotic capnography asystole fibrillation tachycardia bradycardia idioventricular "
    "oropharyngeal nasopharyngeal supraglottic endotracheal rebreather rhonchi crackles stridor wheezes "
    "milliequivalents milliequivalent micrograms microgram milliliters millimoles systole antecubital humeral tibial "
    "deltoid vastus lateralis gluteal perrl sinus"
)


def read(path: Path) -> dict[str, list[str]]:
    """Entry, variant number included, to its phones."""
    lines = (line.split() for line in path.read_text(encoding="utf-8").splitlines())
    return {word: phones for word, *phones in lines}


LINES = (ROOT / "models" / "pronunciations.dict").read_text(encoding="utf-8").splitlines()
OURS = read(ROOT / "models" / "pronunciations.dict")
BUNDLED = read(Path(get_model_path("en-us/cmudict-en-us.dict")))
DRUGS = tomllib.loads((ROOT / "grammars" / "formulary.toml").read_text(encoding="utf-8"))["drug"]
FORMS = {form: key for key, row in DRUGS.items() for form in [*row["names"], *row.get("named_concentrations", {})]}


@pytest.fixture(scope="module")
def decoder() -> Decoder:
    return Decoder(lm=None, loglevel="FATAL")


def ways(word: str) -> list[tuple[str, ...]]:
    """Every way the recogniser may hear a word."""
    entries = [word, *(f"{word}({number})" for number in range(2, 10))]
    return [tuple(source[entry]) for entry in entries for source in (BUNDLED, OURS) if entry in source]


def test_lines_are_sorted_entries_and_stand_once() -> None:
    assert [line for line in LINES if not ENTRY.fullmatch(line)] == []
    assert len(OURS) == len(LINES)
    words = [line.split()[0].partition("(")[0] for line in LINES]
    assert words == sorted(words)


def test_only_the_phones_of_the_acoustic_model_are_used() -> None:
    assert len(PHONES) == 39
    assert {phone for phones in OURS.values() for phone in phones} <= PHONES


def test_no_entry_replaces_one_of_the_bundled_dictionary() -> None:
    assert sorted(OURS.keys() & BUNDLED.keys()) == []


def test_variants_are_numbered_without_gaps() -> None:
    for entry in OURS:
        word, _, number = entry.rstrip(")").partition("(")
        if number:
            before = word if number == "2" else f"{word}({int(number) - 1})"
            assert before in OURS or before in BUNDLED, entry


def test_variants_of_a_word_differ() -> None:
    words = {entry.partition("(")[0] for entry in OURS}
    assert [word for word in words if len(set(ways(word))) != len(ways(word))] == []


def test_every_word_of_the_formulary_can_be_heard() -> None:
    assert sorted({word for form in FORMS for word in form.split() if not ways(word)}) == []


def test_trade_words_can_be_heard() -> None:
    assert [word for word in TRADE_WORDS.split() if not ways(word)] == []


def test_no_two_drugs_sound_the_same() -> None:
    heard: defaultdict[tuple[str, ...], set[str]] = defaultdict(set)
    for form, key in FORMS.items():
        for said in itertools.product(*(ways(word) for word in form.split())):
            heard[tuple(itertools.chain.from_iterable(said))].add(key)
    assert [keys for keys in heard.values() if len(keys) > 1] == []


# The bundled dictionary has only "NIT-roh", "NIT-rus" and "tah-kee-KAR-dee-a"; crews say the ways below (from memory).
@pytest.mark.parametrize(
    ("word", "phones"),
    [
        ("nitro", "N AY T R OW"),
        ("nitrous", "N AY T R AH S"),
        ("tachycardia", "T AE K IH K AA R D IY AH"),
        ("saline", "S EY L IY N"),
        ("dopamine", "D OW P AH M IY N"),
    ],
)
def test_word_mispronounced_by_the_bundled_dictionary_has_a_second_way(word: str, phones: str) -> None:
    assert tuple(phones.split()) in ways(word)


def test_recogniser_takes_every_entry(decoder: Decoder) -> None:
    for entry, phones in OURS.items():
        decoder.add_word(entry, " ".join(phones), False)
        assert decoder.lookup_word(entry) == " ".join(phones)


def test_recogniser_takes_a_grammar_of_every_drug_form(decoder: Decoder) -> None:
    for entry, phones in OURS.items():
        if decoder.lookup_word(entry) is None:
            decoder.add_word(entry, " ".join(phones), False)
    decoder.add_jsgf_string("drugs", f"#JSGF V1.0; grammar drugs; public <drug> = {' | '.join(FORMS)};")
    decoder.activate_search("drugs")
    assert decoder.current_search() == "drugs"
