"""How much agreement of three listeners is enough for an entry; chosen on the tuning voices."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class ThreeSettings:
    """How much agreement is enough; chosen on the tuning voices of tests/bench/recognition."""

    sure: float = -0.7
    """Least score of the adapted listener's text (mean natural logarithm of its parts' probabilities)."""
    clear: float = -0.5
    """Least such score for which others' agreement makes a smaller lead enough."""
    own: float = 0.3
    """Most that the reading may fit worse than that text: what was put together from pieces fits badly."""
    lead: float = 9.0
    """Least lead over what differs in a number, as natural logarithm of the odds, by both free listeners together; in
    noise over a number that sounds alike always, since both have then written "forty" for "fourteen", and over a letter
    that does, since both have written "i n" for "i m"."""
    lead_over_alike: float = 7.0
    """The same over a number that sounds alike where there is no noise, whoever wrote it."""
    lead_of_three: float = 8.0
    """The same by three, over a number or a letter that sounds alike, where a further adapted listener wrote the
    reading too; in noise that one does not count over a number."""
    lead_of_three_in_noise: float = 11.0
    """The same over a letter in noise."""
    lead_of_all: float = 5.0
    """The same where both others bear the reading out."""
    lead_of_written: float = 4.0
    """The same where the free-text listener wrote the same by itself."""
    dose_of_written: float = 7.0
    """The same over another number in what is done with a drug."""
    dose_alike: float = 12.0
    """The same over a number that sounds alike, in any sound; a third listener does not count there."""
    sure_of_written: float = -1.5
    """Least score of the adapted listener's text then."""
    lead_by_name: float = 4.0
    """The same over what differs in a drug, a route or a word."""
    doubt: float = 8.0
    """Most that the free-text listener's preference adds to a lead, or takes off it."""
    kept: float = 0.12
    """What each power of ten is worth, as such a lead, by which the grammar listener keeps the reading."""
    lost: float = 3.0
    """What is taken off a lead over a rival that the grammar listener hears rather than the reading."""
    leans_by_number: float = 1.5
    """Least lead, by a free-text listener that shares no weights with the adapted one, over the reading with any other
    number, that bears it out (natural logarithm of the odds)."""
    leans_by_name: float = 2.5
    """The same over any other drug, route, unit or side."""
    picked_by_number: float = 3.0
    """The same by number where it also settles what the reading may have sounded like."""
    picked_by_name: float = 4.0
    """The same by name."""
    strange: float = 2.0
    """Most that the reading may then fit worse than what that listener wrote: beyond, something else was said."""
    sure_of_other: float = -0.4
    """Least score of its own text for the listener that votes to refuse what the other one alone took for a callout."""
    other: float = 0.8
    """How much worse what is proposed fits it then than that text, at least."""
    fits: float = 3.0
    """Most that the reading may fit the free-text listener worse than its own text and still be borne out by it."""
    alike: float = 55.0
    """Least likeness (percent of letters, RapidFuzz) of what the free-text listener wrote, numbers and all, that bears
    a reading out however badly its name is spelled."""


SETTINGS = ThreeSettings()
