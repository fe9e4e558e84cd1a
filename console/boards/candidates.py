"""Posterior over single and double faults, given which stages failed and which passed. Knows nothing of boards.

The multiple-fault reasoning of Abreu, Zoeteweij and van Gemund ("Spectrum-based Multiple Fault Localization", ASE 2009)
with three changes: how often a faulty part behaves is integrated over a prior instead of fitted, a need may be less
than sure, and a stage may fail by itself. Suspects that no outcome can tell apart stand in one column.
"""

from __future__ import annotations

import math
from array import array
from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from operator import mul
from typing import Final, TypeAlias, TypeVar

Suspect = TypeVar("Suspect", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a stage that ran ended; `surprise` is P(its reading | nothing on the list made it fail), 1 without one."""

    passed: bool
    surprise: float = 1.0


@dataclass(frozen=True, slots=True)
class Column:
    """Suspects that cannot be told apart, with the prior odds of each.

    `needs`, one per stage: P(it fails | a permanent fault here). `fits`: P(its reading | this made it fail), 1 without
    one. `modes`: pairs of P(a faulty one does no harm in a stage that needs it) and the share of faults like that.
    """

    odds: tuple[float, ...]
    needs: tuple[float, ...]
    fits: tuple[float, ...]
    modes: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class _Entry:
    """A column in one of its modes.

    `quiet`: P(the passed stages pass | it), with the share of the mode; `kind`: which failed stages it makes fail, and
    how surely, as an index into the list of kinds. A kind holds a level of harm and fit for each failed stage.
    """

    quiet: float
    kind: int


_Kind: TypeAlias = "tuple[int, ...]"
_Square: TypeAlias = "list[array[float]]"


class Posterior:
    """The chances of no, one and two faults, given how the stages ended; they sum to 1.

    What two faults do together depends only on how each meets the failed stages, of which there are few kinds; so pairs
    are summed by kind, exactly, and never listed one by one. `rest` is the chance of none of the suspects, `members` of
    each suspect of each column being faulty, alone or with another. `weight` is P(the stages end like this), up to a
    factor that does not depend on how they end.
    """

    def __init__(self, columns: Sequence[Column], outcomes: Sequence[Outcome], leak: float, unlisted: float) -> None:
        failed = [number for number, outcome in enumerate(outcomes) if not outcome.passed]
        passed = [number for number, outcome in enumerate(outcomes) if outcome.passed]
        self._columns: Final = columns
        self._entries: list[list[_Entry]] = []
        self._leak: Final = leak
        self._leaked: Final = [leak * outcomes[number].surprise for number in failed]
        kinds: dict[_Kind, int] = {}
        levels: list[dict[tuple[float, float], int]] = [{(0.0, 0.0): 0} for _ in failed]
        for column in columns:
            self._entries.append([])
            for behaves, share in column.modes:
                quiet = share * math.prod(1 - column.needs[stage] * (1 - behaves) for stage in passed)
                kind = tuple(
                    known.setdefault((harm, harm * column.fits[stage]), len(known))
                    for known, stage in zip(levels, failed, strict=True)
                    for harm in (column.needs[stage] * (1 - behaves),)
                )
                self._entries[-1].append(_Entry(quiet, kinds.setdefault(kind, len(kinds))))
        self._single, self._double = self._failing(list(kinds), levels)
        everything = self._by_kind((number, math.fsum(column.odds)) for number, column in enumerate(columns))
        alone = math.fsum(weight * self._single[kind] for kind, weight in everything.items())
        squares = [math.fsum(odds * odds for odds in column.odds) for column in columns]
        twice = math.fsum(square * self._self(number) for number, square in enumerate(squares))
        weights = [everything[kind] for kind in range(len(kinds))]
        field = [sum(map(mul, weights, row)) for row in self._double]
        pairs = (math.fsum(map(mul, weights, field)) - twice) / 2
        none = math.prod(self._leaked) + unlisted * math.prod(outcomes[number].surprise for number in failed)
        self._total: Final = none + alone + max(0.0, pairs)
        self.weight: Final = self._total * (1 - leak) ** len(passed)
        self.rest: Final = none / self._total
        self.members: Final = tuple(self._members(number, field) for number in range(len(columns)))

    def _members(self, number: int, field: Sequence[float]) -> tuple[float, ...]:
        """For each suspect of a column the chance that it is faulty, alone or with another."""
        first = math.fsum(
            entry.quiet * (self._single[entry.kind] + field[entry.kind]) for entry in self._entries[number]
        )
        own = self._self(number)
        return tuple(max(0.0, odds * first - odds * odds * own) / self._total for odds in self._columns[number].odds)

    def diagnoses(self, owners: Sequence[Sequence[Suspect]]) -> dict[frozenset[Suspect], float]:
        """The chance that just these owners are faulty, for one and for two; `owners` names one for each suspect.

        Two faults at the same owner count as that owner alone.
        """
        odds: defaultdict[Suspect, defaultdict[int, float]] = defaultdict(lambda: defaultdict(float))
        twice: defaultdict[Suspect, float] = defaultdict(float)
        for number, (column, names) in enumerate(zip(self._columns, owners, strict=True)):
            for own, name in zip(column.odds, names, strict=True):
                odds[name][number] += own
                twice[name] += own * own * self._self(number)
        vectors = {name: self._by_kind(share.items()) for name, share in odds.items()}
        out: dict[frozenset[Suspect], float] = {}
        waiting = list(vectors.items())
        for place, (name, vector) in enumerate(waiting):
            alone = math.fsum(weight * self._single[kind] for kind, weight in vector.items())
            within = (self._meeting(vector, vector) - twice[name]) / 2
            out[frozenset({name})] = (alone + max(0.0, within)) / self._total
            for other, theirs in waiting[place + 1 :]:
                out[frozenset({name, other})] = self._meeting(vector, theirs) / self._total
        return out

    def _by_kind(self, odds: Iterable[tuple[int, float]]) -> dict[int, float]:
        """Weights by kind of what has these odds in these columns."""
        out: defaultdict[int, float] = defaultdict(float)
        for number, own in odds:
            for entry in self._entries[number]:
                out[entry.kind] += own * entry.quiet
        return out

    def _meeting(self, one: Mapping[int, float], other: Mapping[int, float]) -> float:
        """Weight of all ordered pairs out of two sets, each given by kind."""
        weights = list(other.values())
        return math.fsum(
            weight * sum(map(mul, weights, map(self._double[kind].__getitem__, other))) for kind, weight in one.items()
        )

    def _self(self, number: int) -> float:
        """What a suspect of odds 1 would weigh as a pair with itself, which there is not."""
        own = self._entries[number]
        return math.fsum(one.quiet * other.quiet * self._double[one.kind][other.kind] for one in own for other in own)

    def _failing(
        self, kinds: Sequence[_Kind], levels: Sequence[Mapping[tuple[float, float], int]]
    ) -> tuple[list[float], _Square]:
        """P(the failed stages fail, with their readings | one fault of a kind; two faults of two kinds).

        One of the culprits makes the reading.
        """
        leak = self._leak
        tables = [
            [
                [(1 - (1 - leak) * (1 - a) * (1 - b)) * (fit_a + fit_b + leaked) / (a + b + leak) for b, fit_b in known]
                for a, fit_a in known
            ]
            for known, leaked in zip(levels, self._leaked, strict=True)
        ]
        single = [math.prod(table[level][0] for table, level in zip(tables, kind, strict=True)) for kind in kinds]
        return single, _products(kinds, tables)


def _products(kinds: Sequence[_Kind], tables: Sequence[Sequence[Sequence[float]]]) -> _Square:
    """For each two kinds the product over the stages of what the stage's table holds for their levels.

    By halves of the stages: of each half there are far fewer kinds, so that a pair costs one multiplication and not one
    for every stage.
    """
    if len(tables) < 2:
        return [
            array("d", (math.prod(t[a][b] for t, a, b in zip(tables, one, other, strict=True)) for other in kinds))
            for one in kinds
        ]
    half = len(tables) // 2
    sides = []
    for part in (slice(half), slice(half, None)):
        places: dict[_Kind, int] = {}
        where = [places.setdefault(kind[part], len(places)) for kind in kinds]
        spread = [array("d", map(row.__getitem__, where)) for row in _products(list(places), tables[part])]
        sides.append([spread[place] for place in where])
    return [array("d", map(mul, one, other)) for one, other in zip(*sides, strict=True)]


def diagnose(columns: Sequence[Column], outcomes: Sequence[Outcome], leak: float, unlisted: float = 0.0) -> Posterior:
    """The posterior over no, one and two faults out of `columns`.

    `leak` in (0, 1): P(a stage fails by itself). `unlisted`: prior odds of a fault that is in no column and makes just
    the failed stages fail; it counts as `rest`. Raises ValueError for a leak out of range.
    """
    if not 0 < leak < 1:
        raise ValueError("the leak must be above 0 and below 1")
    return Posterior(columns, outcomes, leak, unlisted)


def health(diagnoses: Iterable[tuple[Iterable[Suspect], float]]) -> dict[Suspect, float]:
    """For each suspect the chance of all diagnoses that name it, most suspect first.

    Equation 1 of Stern, Kalech and others, "How Many Diagnoses Do We Need?". It loses which suspects belong together.
    """
    out: defaultdict[Suspect, float] = defaultdict(float)
    for suspects, chance in diagnoses:
        for suspect in set(suspects):
            out[suspect] += chance
    return dict(sorted(out.items(), key=lambda item: -item[1]))
