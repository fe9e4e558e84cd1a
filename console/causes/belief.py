"""Exact beliefs over one cause, two causes at once, or something else, as evidence and repairs come in.

Prior: each cause is present by itself with a chance `fault_rate` * its prior; boards with none or three are left out,
so a pair weighs as much as its two odds. "Something else" is one more state with its own prior.

How two causes combine: each draws its own symptom or outcome, independently, and the one that stands later in the
catalogue's order hides the other. So P(the pair shows no more than o) is the product of both causes' chances to show no
more than o. A board that answers needs both to let it answer: those chances multiply.

A trial or repair that fails leaves a pair with one cause fewer where its work succeeded. Nothing is ever impossible:
likelihoods stay within FLOOR and 1 - FLOOR, and no state falls below a millionth of a millionth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import Final

from console.causes.bayes import FLOOR
from console.causes.catalogue import OTHER, Catalogue, Check, catalogue
from console.causes.evidence import EXTRA_CODES

_LEAST: Final = 1e-12
# what one reading says about a state when equal attempts gave different results: a third for each equal repeat
TRUSTED_REPEATS: Final = 3

State = tuple[str, ...]
Weights = list[float]
Make = Callable[[], list[float]]


@dataclass(frozen=True, slots=True)
class Belief:
    """Chance of every state; sums to 1, none is 0 or 1."""

    states: Sequence[State]
    chances: Sequence[float]

    def marginals(self) -> dict[str, float]:
        """Chance that a cause is present, alone or with another; these may sum to more than 1."""
        out: dict[str, float] = {}
        for state, chance in zip(self.states, self.chances, strict=True):
            for cause in state:
                out[cause] = out.get(cause, 0.0) + chance
        return out


class Model:
    """A catalogue turned into tables over states; likelihoods are computed once per code or outcome and kept."""

    def __init__(self, table: Catalogue) -> None:
        self.table = table
        self.causes = (*table.causes, OTHER)
        count = len(table.causes)
        self._pairs = list(combinations(range(count), 2))
        self.states: list[State] = [(cause,) for cause in self.causes]
        self.states += [(self.causes[a], self.causes[b]) for a, b in self._pairs]
        self._index = {state: number for number, state in enumerate(self.states)}
        self._kept: dict[tuple[str, str], Weights] = {}
        self._moves: dict[str, list[tuple[int, int, float]]] = {}
        self._whole: tuple[Model, list[int]] | None = None

    def narrowed(self, weights: Sequence[float], least: float) -> tuple[Model, Weights]:
        """Tables and weights of the single causes and of what weighs more than `least`, for planning."""
        kept = [n for n, state in enumerate(self.states) if len(state) == 1 or weights[n] > least]
        few = object.__new__(Model)
        few.table, few.causes, few._pairs = self.table, self.causes, []
        few.states = [self.states[n] for n in kept]
        few._index = {state: number for number, state in enumerate(few.states)}
        few._kept, few._moves, few._whole = {}, {}, (self, kept)
        return few, normalised(weights[n] for n in kept)

    def prior(self, priors: Mapping[str, float] | None = None) -> Weights:
        """Normalised prior of every state from the causes' priors (of any sum), the catalogue's where left out.

        Raises ValueError for a prior that is missing or not positive.
        """
        weights = self.table.priors() if priors is None else dict(priors)
        if any(not weights.get(cause, 0) > 0 for cause in self.causes):
            raise ValueError("every prior must be a positive number")
        total = sum(weights[cause] for cause in self.table.causes)
        rate = self.table.fault_rate
        odds = [rate * weights[c] / total / (1 - rate * weights[c] / total) for c in self.table.causes]
        other = weights[OTHER] / total * sum(odds)
        return normalised([*odds, other, *(odds[a] * odds[b] for a, b in self._pairs)])

    def seen(self, code: str) -> Weights:
        """P(code | state). Raises KeyError for an unknown code."""
        if code in EXTRA_CODES:
            return self._keep("code", code, lambda: self._both(self.table.likelihood(code)))
        order = self.table.dominance
        rows = {name: self.table.likelihood(name) for name in order} if ("code", code) not in self._kept else {}
        return self._keep("code", code, lambda: self._hidden(rows, order, code))

    def unsteady(self) -> Weights:
        """P(identical attempts differ | state): either cause may do it."""
        steady = {cause: 1 - chance for cause, chance in self.table.unsteady().items()}
        return self._keep("differs", "", lambda: [1 - chance for chance in self._both(steady)])

    def outcome(self, step: Check, outcome: str) -> Weights:
        """P(outcome | state) of a check or repair. Raises KeyError for an outcome it does not have."""
        if outcome not in step.outcomes:
            raise KeyError(outcome)

        def make() -> Weights:
            if self._whole is not None:
                every = self._whole[0].outcome(step, outcome)
                return [every[n] for n in self._whole[1]]
            rows = {name: self.table.outcome(step.id, name) or {} for name in step.outcomes}
            return self._hidden(rows, tuple(step.outcomes), outcome)

        return self._keep(step.id, outcome, make)

    def after_failure(self, step: Check, weights: Sequence[float]) -> Weights:
        """Weights after `step` was tried in vain; cured parts of pairs have moved to the cause that is left."""
        if step.in_vain is None:
            raise ValueError(f"{step.id} cures nothing")
        out = times(weights, self.outcome(step, step.in_vain))
        if not step.reverts:
            for source, target, share in self._moved(step):
                moved = out[source] * share
                out[source] -= moved
                out[target] += moved
        return out

    def cured(self, step: Check) -> Weights:
        """P(the board answers because `step` cured it | state), without luck: a pair needs both its cures."""
        return self._keep(
            step.id, "cured", lambda: [math.prod(step.cures.get(cause, 0.0) for cause in s) for s in self.states]
        )

    def _moved(self, step: Check) -> list[tuple[int, int, float]]:
        kept = self._moves.get(step.id)
        if kept is None:
            kept = self._moves[step.id] = []
            for state in self.states:
                if len(state) == 2:
                    a, b = (step.cures.get(cause, 0.0) for cause in state)
                    left = 1 - a * b  # both cured would have worked; b stays with chance 1 - b where a is cured
                    here = self._index[state]
                    first = a * (1 - b) / left
                    kept += [(here, self._index[state[1:]], first)] if a else []
                    kept += [(here, self._index[state[:1]], b * (1 - a) / left / (1 - first))] if b else []
        return kept

    def _keep(self, kind: str, name: str, make: Make) -> Weights:
        kept = self._kept.get((kind, name))
        if kept is None:
            kept = self._kept[kind, name] = [min(1 - FLOOR, max(FLOOR, chance)) for chance in make()]
        return kept

    def _both(self, row: Mapping[str, float]) -> Weights:
        single = [row[cause] for cause in self.causes]
        return single + [single[a] * single[b] for a, b in self._pairs]

    def _hidden(self, rows: Mapping[str, Mapping[str, float]], order: Sequence[str], wanted: str) -> Weights:
        """P(`wanted` shows): for a pair, that both show no more than it, less that both show less."""
        below = [0.0] * len(self.causes)
        for name in order:
            upto = [low + rows[name][cause] for low, cause in zip(below, self.causes, strict=True)]
            if name == wanted:
                pairs = [upto[a] * upto[b] - below[a] * below[b] for a, b in self._pairs]
                return [high - low for high, low in zip(upto, below, strict=True)] + pairs
            below = upto
        raise KeyError(wanted)


def normalised(weights: Iterable[float]) -> Weights:
    """The weights with the sum 1 and none below a millionth of a millionth."""
    raw = list(weights)
    total = sum(raw)
    least = _LEAST * total
    raw = [weight if weight > least else least for weight in raw] if total > 0 else [1.0] * len(raw)
    total = sum(raw)
    return [weight / total for weight in raw]


def times(weights: Sequence[float], likelihood: Sequence[float], trust: float = 1.0) -> Weights:
    """Weights multiplied by a likelihood; `trust` below 1 lets it count less (0 not at all)."""
    if trust == 1:
        return [weight * chance for weight, chance in zip(weights, likelihood, strict=True)]
    return [weight * chance**trust for weight, chance in zip(weights, likelihood, strict=True)]


@lru_cache(maxsize=1)
def _packaged() -> Model:
    return Model(catalogue())


def model(table: Catalogue) -> Model:
    """The tables of this catalogue; those of the packaged one are made once."""
    return _packaged() if table is catalogue() else Model(table)
