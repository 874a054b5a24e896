"""How alike two spoken names are: an edit distance over their phones, and the pairs of names that come too close.

Vowels are what a noisy room and hurried speech blur first, then voicing (b and p, d and t), and the start of a name is
what is clipped. So a vowel for another vowel, a consonant for its voiced or unvoiced twin, and a phone that one name
has before the other begins (the "hydro" of hydromorphone beside morphine) each count half; any other change, added or
dropped phone counts one. The sum is divided by the phones of the longer name: 0 is the same sound.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain, combinations, islice, product

from voicelog.recognisers.pronunciations import PHONES

Phones = tuple[str, ...]
"""ARPAbet phones without stress."""
VOWELS = frozenset("AA AE AH AO AW AY EH ER EY IH IY OW OY UH UW".split())
_TWINS = frozenset(
    frozenset(pair.split()) for pair in ("B P", "D T", "G K", "V F", "Z S", "ZH SH", "JH CH", "DH TH")
)  # fmt: skip
NEAR_COST = 0.5
"""Of a vowel for another, a consonant for its voiced or unvoiced twin, and a phone before the other name begins."""
SAYINGS_LIMIT = 64
"""Most ways to say one name that are compared; a name of several words has the product of their ways."""
CLOSE = 0.35
"""Names at most this far apart are close: the smallest limit at which dopamine and dobutamine, the first pair of the
tall-man letters list (ISMP/FDA, 2023), are found. Lorazepam and midazolam, which share an ending, are 0.39 apart."""


@dataclass(frozen=True)
class ClosePair:
    """Two names and how near their nearest forms sound."""

    names: tuple[str, str]
    """In alphabetical order."""
    forms: tuple[str, str]
    """The nearest spoken form of each."""
    distance: float
    """0 to 1, see the module."""


def distance(one: Phones, other: Phones) -> float:
    """How far apart two pronunciations are, 0 (the same) to 1."""
    longest = max(len(one), len(other))
    return _edits(one, other, longest) / longest if longest else 0.0


def sayings(form: str, ways: Mapping[str, Sequence[str]]) -> tuple[Phones, ...]:
    """Every way to say a form, its words said as one; none when a word has no pronunciation.

    Args:
        form: words parted by blanks.
        ways: word -> its pronunciations, each of phones parted by blanks.
    """
    parts = [[said.split() for said in ways.get(word, ())] for word in form.split()]
    joined = (tuple(chain.from_iterable(choice)) for choice in product(*parts))
    return tuple(dict.fromkeys(islice(joined, SAYINGS_LIMIT)))


def close_pairs(
    forms: Mapping[str, Iterable[str]], ways: Mapping[str, Sequence[str]], limit: float = CLOSE
) -> list[ClosePair]:
    """Pairs of names of which two spoken forms sound alike, the closest first, each pair once.

    Args:
        forms: name -> its spoken forms.
        ways: as for ``sayings``.
        limit: largest distance that counts.
    """
    said = [(name, form, way) for name in sorted(forms) for form in forms[name] for way in sayings(form, ways)]
    letters = {phone: chr(number) for number, phone in enumerate(sorted({p for _, _, way in said for p in way}), 256)}
    spelled = ["".join(letters[phone] for phone in way) for _, _, way in said]
    best: dict[tuple[str, str], ClosePair] = {}
    for first, second in combinations(range(len(said)), 2):
        (name, form, one), (rival, other_form, other) = said[first], said[second]
        if name == rival or not _may_be_close(spelled[first], spelled[second], limit):
            continue
        longest = max(len(one), len(other))
        far = _edits(one, other, limit * longest) / longest
        pair = (name, rival)
        if far <= limit and (pair not in best or far < best[pair].distance):
            best[pair] = ClosePair(pair, (form, other_form), far)
    return sorted(best.values(), key=lambda found: (found.distance, found.names))


def _may_be_close(one: str, other: str, limit: float) -> bool:
    """Whether two spellings, a letter a phone, can be within the limit at all: no edit costs less than NEAR_COST."""
    from rapidfuzz.distance import Levenshtein

    most = int(limit * max(len(one), len(other)) / NEAR_COST)
    return Levenshtein.distance(one, other, score_cutoff=most) <= most


def _edits(one: Phones, other: Phones, most: float) -> float:
    """The least cost of turning one row of phones into the other; anything above ``most`` when it is more."""
    row = [count * NEAR_COST for count in range(len(other) + 1)]
    for done, phone in enumerate(one, start=1):
        before, row = row, [done * NEAR_COST]
        changes = _CHANGES[phone]
        for place, rival in enumerate(other, start=1):
            row.append(min(before[place] + 1, row[-1] + 1, before[place - 1] + changes[rival]))
        if min(row) > most:
            return most + 1
    return row[-1]


def _change(phone: str, rival: str) -> float:
    if phone == rival:
        return 0.0
    near = {phone, rival} <= VOWELS or frozenset((phone, rival)) in _TWINS
    return NEAR_COST if near else 1.0


_CHANGES = {phone: {rival: _change(phone, rival) for rival in PHONES} for phone in PHONES}
