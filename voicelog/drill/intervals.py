"""How sure a figure is: bootstrap intervals and tests by SciPy."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from voicelog.drill.script import DrillError

RESAMPLES = 2000
SEED = 9
CONFIDENCE = 0.95


def share_interval(hits: Sequence[float], of: Sequence[float] | None = None) -> tuple[float, float]:
    """The 95% interval of a share by the percentile bootstrap over callouts; (0, 1) for fewer than two.

    Callouts count as independent of each other. Where few people spoke, the true interval is wider. All or none of
    single hits leave the bootstrap nothing to draw from; there it is Clopper's and Pearson's.

    Args:
        hits: for each callout 1 or 0, or a count of errors.
        of: for each callout what the hits are out of, such as its words; None for 1 each.
    """
    stats, numpy = library(), _numpy()
    if len(hits) < 2 or (not any(of or hits) and of is not None):
        return 0.0, 1.0
    if of is None and sum(hits) in (0, len(hits)):
        plain = stats.binomtest(int(sum(hits)), len(hits)).proportion_ci(CONFIDENCE, method="exact")
        return float(plain.low), float(plain.high)
    sizes = numpy.ones(len(hits)) if of is None else numpy.asarray(of, dtype=float)

    def ratio(one: Any, other: Any, axis: int = -1) -> Any:
        return one.sum(axis=axis) / other.sum(axis=axis)

    found = stats.bootstrap(
        (numpy.asarray(hits, dtype=float), sizes),
        ratio,
        paired=True,
        vectorized=True,
        n_resamples=RESAMPLES,
        confidence_level=CONFIDENCE,
        method="percentile",
        rng=numpy.random.default_rng(SEED),
    ).confidence_interval
    return float(found.low), float(found.high)


def at_most(hits: int, count: int) -> float:
    """The largest share that so many hits of a count can stand for, 95% sure (Clopper and Pearson); 1 for no count.

    For rare things, where a bootstrap of nothing but zeros says nothing.
    """
    if not count:
        return 1.0
    return float(library().binomtest(hits, count).proportion_ci(CONFIDENCE, method="exact").high)


def mcnemar(better: int, worse: int) -> float:
    """The exact probability of so uneven a split, or a more uneven one, were both runs as good; 1 for no difference.

    Args:
        better: callouts that only the new run got right.
        worse: callouts that only the old run got right.
    """
    return float(library().binomtest(better, better + worse, 0.5).pvalue) if better + worse else 1.0


def library() -> Any:
    """SciPy's statistics.

    Raises:
        DrillError: they are not installed.
    """
    try:
        from scipy import stats
    except ImportError as error:
        raise DrillError("SciPy is not installed", "Install the extra: pip install 'voicelog[drill]'.") from error
    return stats


def _numpy() -> Any:
    import numpy

    return numpy
