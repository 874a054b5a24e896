"""Words a model lacks, put as words it has: file, suggestions and the way back."""

from __future__ import annotations

from pathlib import Path

import pytest

from voicelog.errors import RecogniserError
from voicelog.recognisers.base import Word
from voicelog.recognisers.spoken_as import read_spoken_as, spoken_back, suggestions

HAS = frozenset("mid as alam intra nasal fen tunnel pulse is sixty".split())
MIDAZOLAM = {"midazolam": ("mid", "as", "alam")}


def heard(text: str) -> list[Word]:
    return [Word(word, float(n), n + 0.5, 0.9 - n / 10) for n, word in enumerate(text.split())]


def test_file_gives_words_and_their_stand_ins(tmp_path: Path) -> None:
    path = tmp_path / "spoken_as.txt"
    path.write_text("# by ear\nmidazolam = mid as alam\n\nsats = satz # one word\n", encoding="utf-8")
    assert read_spoken_as(path) == MIDAZOLAM | {"sats": ("satz",)}


def test_no_file_means_no_words(tmp_path: Path) -> None:
    assert read_spoken_as(tmp_path / "spoken_as.txt") == {}


@pytest.mark.parametrize("line", ["midazolam", "midazolam =", "= mid", "two words = mid"])
def test_line_of_another_form_is_refused_with_its_number(tmp_path: Path, line: str) -> None:
    path = tmp_path / "spoken_as.txt"
    path.write_text(f"sats = satz\n{line}\n", encoding="utf-8")
    with pytest.raises(RecogniserError, match=r"spoken_as\.txt:2: "):
        read_spoken_as(path)


def test_two_words_put_the_same_way_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "spoken_as.txt"
    path.write_text("midazolam = mid as\nlorazepam = mid as\n", encoding="utf-8")
    with pytest.raises(RecogniserError, match="would sound the same"):
        read_spoken_as(path)


def test_whole_run_is_put_back_with_its_times_and_least_confidence() -> None:
    back = spoken_back(heard("give mid as alam now"), MIDAZOLAM)
    assert [word.text for word in back] == ["give", "midazolam", "now"]
    assert (back[1].start, back[1].end) == (1.0, 3.5)
    assert back[1].confidence == pytest.approx(0.6)


def test_part_of_a_run_is_left_as_heard() -> None:
    assert [word.text for word in spoken_back(heard("mid as ten"), MIDAZOLAM)] == ["mid", "as", "ten"]


def test_longest_run_wins() -> None:
    spoken_as = {"short": ("mid",), **MIDAZOLAM}
    assert [word.text for word in spoken_back(heard("mid as alam mid"), spoken_as)] == ["midazolam", "short"]


# Pronunciations: the bundled dictionary and models/*.dict.
@pytest.mark.parametrize(
    ("word", "said"), [("midazolam", "mid as alam"), ("intranasal", "intra nasal"), ("fentanyl", "fen tunnel")]
)
def test_suggestion_sounds_like_the_word_and_uses_words_of_the_model(word: str, said: str) -> None:
    assert suggestions([word], HAS.__contains__) == {word: said}


def test_no_suggestion_without_words_that_fit_or_a_known_sound() -> None:
    assert suggestions(["midazolam", "qqq"], frozenset({"pulse"}).__contains__) == {}
