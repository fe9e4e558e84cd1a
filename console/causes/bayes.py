"""Single-fault naive Bayes over any table; knows nothing of wires.

One hidden cause c:  P(c | o_1..o_n)  ~  prior(c) * product of P(o_k | c), computed in logarithms with the largest
subtracted before the exponential. Likelihoods of 0 or 1 are not allowed to decide: they are kept within FLOOR and
1 - FLOOR, because one mistyped reading must not kill a cause for good.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Final

FLOOR: Final = 1e-4


def weigh(prior: Mapping[str, float], likelihoods: Iterable[Mapping[str, float]]) -> dict[str, float]:
    """Posterior of every cause in `prior` (positive weights of any sum), summing to 1.

    Each mapping in `likelihoods` gives P(one observation | cause) for every cause. Order does not matter beyond
    rounding. Raises ValueError for an empty prior or a weight that is not positive.
    """
    if not prior or any(not value > 0 for value in prior.values()):
        raise ValueError("every prior must be a positive number")
    logs = {cause: [math.log(value)] for cause, value in prior.items()}
    for likelihood in likelihoods:
        for cause, terms in logs.items():
            terms.append(math.log(min(1 - FLOOR, max(FLOOR, likelihood[cause]))))
    sums = {cause: math.fsum(terms) for cause, terms in logs.items()}
    top = max(sums.values())
    raw = {cause: max(math.exp(value - top), 1e-12) for cause, value in sums.items()}
    total = math.fsum(raw.values())
    return {cause: value / total for cause, value in raw.items()}


def surprise(cause: str, prior: Mapping[str, float], likelihood: Mapping[str, float]) -> float:
    """Log of P(observation | cause) against the mixture of all causes: above 0 it speaks for the cause."""
    total = math.fsum(prior.values())
    mixture = math.fsum(prior[name] / total * likelihood[name] for name in prior)
    return math.log(max(FLOOR, likelihood[cause]) / max(FLOOR, mixture))
