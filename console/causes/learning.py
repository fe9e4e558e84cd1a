"""Priors and likelihoods from the bench's own counts.

Count only confirmed fixes: it failed before, one thing was done, it passed after. Never count a simulated board. The
table is a Dirichlet start worth `worth` repairs; each repair adds one to its cause.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

FACTORY_WORTH: Final = 10.0  # about ten real repairs weigh as much as the table: common practice, no source


def posterior_counts(alphas: Sequence[float], counts: Sequence[float]) -> list[float]:
    """Dirichlet update: what was assumed plus what was counted. Raises ValueError for a start <= 0 or a count < 0."""
    if any(not alpha > 0 for alpha in alphas) or any(not count >= 0 for count in counts):
        raise ValueError("starts must be above 0 and counts must not be negative")
    return [alpha + count for alpha, count in zip(alphas, counts, strict=True)]


def learned_priors(
    priors: Mapping[str, float], counts: Mapping[str, float], worth: float = FACTORY_WORTH
) -> dict[str, float]:
    """Priors (sum 1) after the bench's counts. Causes nobody knows are ignored. Raises ValueError for bad numbers."""
    total = sum(priors.values())
    if not worth > 0 or not total > 0:
        raise ValueError("priors and worth must be above 0")
    alphas = [worth * prior / total for prior in priors.values()]
    after = posterior_counts(alphas, [counts.get(cause, 0.0) for cause in priors])
    return {cause: value / sum(after) for cause, value in zip(priors, after, strict=True)}


def backed_off(
    counts: Mapping[str, float], pooled: Mapping[str, float], strength: float = FACTORY_WORTH
) -> dict[str, float]:
    """Chances from a narrow history (one design), leaning on `pooled` as if it were `strength` cases.

    The mean of a hierarchical Dirichlet model, (n_c + strength * p_c) / (N + strength): MacKay and Peto, "A
    hierarchical Dirichlet language model", Natural Language Engineering 1 (1995) 289-308 (from memory). To count
    nothing twice, `pooled` must come from cases that are not among `counts`. How strong to lean is not estimated from
    the data, as an empirical Bayes method would: a workshop has too few designs for that.
    """
    seen = sum(counts.get(cause, 0.0) for cause in pooled)
    return {cause: (counts.get(cause, 0.0) + strength * p) / (seen + strength) for cause, p in pooled.items()}


def independent(count: int, chance: float, strength: float = FACTORY_WORTH) -> float:
    """How many of `count` equal cases of one design speak for all designs, where the pool gives such a case `chance`.

    A design that makes a fault once makes it again, so its second case says less to the others than its first: the
    expected number of draws from the pool, the sum of a / (a + i) for i < count with a = strength * chance (Teh,
    Jordan, Beal and Blei, "Hierarchical Dirichlet processes", JASA 101 (2006), the count of tables; from memory).
    """
    a = strength * chance
    return sum(a / (a + i) for i in range(count))


def learned_chance(chance: float, hits: float, tries: float, worth: float = FACTORY_WORTH) -> float:
    """P(outcome | cause) after `hits` in `tries`, the table's `chance` being worth `worth` tries (Beta update)."""
    if not 0 < chance < 1 or not 0 <= hits <= tries or not worth > 0:
        raise ValueError("needs 0 < chance < 1, 0 <= hits <= tries and worth above 0")
    return (chance * worth + hits) / (worth + tries)
