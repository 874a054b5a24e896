"""What drugs and doses may be mistaken for, and how a read-back sets them apart."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from voicelog.dialogue.wording import read_back
from voicelog.grammar.loader import load_grammar
from voicelog.grammar.numbers import SOUND_ALIKE, mistakable, value_of
from voicelog.parse.alike import letters_apart
from voicelog.parse.parser import parse
from voicelog.parse.tokens import words_of


def said_of(text: str) -> str:
    return read_back(parse(words_of(text), load_grammar()).drafts)


# The pairs to test that the design names: 13/30, 14/40, 15/50, 16/60, 17/70, 18/80, 19/90.
@pytest.mark.parametrize(("teen", "ten"), [(n, 10 * (n - 10)) for n in range(13, 20)])
def test_every_teen_stands_beside_its_ten(teen: int, ten: int) -> None:
    pairs = {value_of([word]): value_of([other]) for word, other in SOUND_ALIKE.items()}
    assert [pairs[Decimal(teen)], pairs[Decimal(ten)]] == [Decimal(ten), Decimal(teen)]


@pytest.mark.parametrize(
    ("said", "other"),
    [
        ("one eighteen", 180),
        ("one hundred and fifty", 115),
        ("fifty two", None),
        ("one five", None),
        ("zero point five", None),
    ],
)
def test_a_number_is_mistaken_for_another_by_its_ending_only(said: str, other: int | None) -> None:
    assert mistakable(said.split()) == other


@given(st.sampled_from(sorted(SOUND_ALIKE)))
def test_mistaken_twice_is_the_number_itself(word: str) -> None:
    assert value_of([SOUND_ALIKE[SOUND_ALIKE[word]]]) == value_of([word])


@pytest.mark.parametrize(
    ("name", "others", "letters"),
    [
        ("ketamine", ["ketorolac"], "keta"),
        ("epinephrine", ["ephedrine", "norepinephrine"], "epi"),
        ("calcium chloride", ["calcium gluconate"], "c"),
        ("naloxone", [], ""),
        ("albuterol", ["albuterol with ipratropium"], ""),
    ],
)
def test_a_name_is_spelled_as_far_as_it_takes(name: str, others: list[str], letters: str) -> None:
    assert letters_apart(name, others) == letters


def test_a_declared_drug_is_spelled_and_a_mistakable_dose_is_set_apart() -> None:
    said = said_of("ketamine fifty milligrams i v")
    assert said == "Ketamine, kilo echo tango alfa, five zero milligrams intravenous, not one five. Confirm?"


def test_a_dose_that_could_not_be_the_other_is_not_set_apart() -> None:
    """Fourteen milligrams of naloxone pass its limit, so four said as "forty" is no likely slip."""
    draft = parse(words_of("ondansetron four milligrams i v"), load_grammar()).drafts[0]
    assert (draft.not_dose, draft.spelled) == (None, "")
