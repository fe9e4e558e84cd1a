"""Which chips, joints and nets to look at when a board's bring-up plan stops, in which order, and why. Pure.

Failed stages implicate what they need, passed ones speak for what they used, a read-back singles out lines; single and
double faults are weighed together. Visits go from part to part by chance over minutes, as the trade walks: the chip
where it stopped first, then along its nets to the neighbours (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from console.boards.candidates import Column, Outcome, Posterior, diagnose, health
from console.boards.circuit import Pin
from console.boards.defects import Defects, defects
from console.boards.faults import Fault, Kind, possible_faults
from console.boards.hitting import smallest_hitting_set
from console.boards.inspection import inspection_order
from console.boards.reasons import how_to_look, part_why, shared_nets, title, why
from console.boards.spectrum import Spectrum, spectrum
from console.boards.stagerun import Board, Reach, StageRun, reach
from console.text import clean

_LISTED: Final = 100  # suspects described in words; the rest is one figure
_SURE_NEED: Final = 0.5  # from here on a stage counts as using a part
_STAGES_APART: Final = 4  # failed stages beyond these say no more about a fault that nobody listed
_CONTRADICTED: Final = 0.05  # a permanent fault with which the passed stages pass more rarely does not fit them
_MOST_TOGETHER: Final = 4  # faults that are looked for to explain all failed stages
_WORTH_NAMING: Final = 0.02
_MOST_NAMED: Final = 8


@dataclass(frozen=True, slots=True)
class Suspect:
    """One thing to look at. `probability` that it is faulty, alone or with another; `minutes` to look and be sure.

    `key` names it for `cleared`. Names in `pins` are as in the netlist; all words are safe to show.
    """

    key: str
    kind: Kind
    title: str
    pins: tuple[Pin, ...]
    probability: float
    minutes: float
    why: tuple[str, ...]
    how_to_look: str
    caution_id: str
    caution: str


@dataclass(frozen=True, slots=True)
class Group:
    """One visit to a part: look at `items` in this order before you leave it. A part can come up again later.

    `probability` that anything at the part is faulty, looked at in this visit or not. `nets`: how it hangs together
    with the part of the first visit. `minutes` for the whole visit. `spectrum`: how often failed and passed stages use
    the part, with the coefficients as a second opinion that needs no prior.
    """

    part: str
    why: tuple[str, ...]
    items: tuple[Suspect, ...]
    probability: float
    minutes: float
    nets: tuple[str, ...]
    spectrum: Spectrum


@dataclass(frozen=True, slots=True)
class Explanation:
    """Parts that are faulty together, with the chance that just these are."""

    parts: frozenset[str]
    probability: float


@dataclass(frozen=True, slots=True)
class Suspects:
    """What to look at, in order. Nothing here is ever certain.

    `other`: the chance that it is none of what is known. `unlisted`: mean number of faults among suspects too unlikely
    to be described. `explanations`: the likeliest sets of faulty parts. `fewest`: how many permanent faults it takes at
    least to explain what failed and what passed; None where four do not, so that it comes and goes or is none of these.
    `notes`: what could not be considered, and why.
    """

    groups: tuple[Group, ...]
    other: float
    unlisted: float = 0.0
    explanations: tuple[Explanation, ...] = ()
    fewest: int | None = 0
    notes: tuple[str, ...] = ()

    def items(self) -> Iterator[Suspect]:
        """All suspects in the order of looking."""
        for group in self.groups:
            yield from group.items


def suspects(
    board: Board,
    runs: Sequence[StageRun],
    table: Defects | None = None,
    faults: Sequence[Fault] | None = None,
    cleared: Collection[str] = (),
) -> Suspects:
    """What to look at after these stage runs; empty while nothing failed.

    `table` is the packaged one unless given. `faults` are those of `possible_faults`, which can be kept from one call
    to the next. `cleared` are the keys of suspects that were looked at without finding anything: they stay suspects, as
    far as looking misses such faults. Stages that did not run say nothing.
    """
    if all(run.passed is not False for run in runs):
        return Suspects((), 0.0)
    return weigh(board, runs, table, faults, cleared).answer()


def weigh(
    board: Board,
    runs: Sequence[StageRun],
    table: Defects | None = None,
    faults: Sequence[Fault] | None = None,
    cleared: Collection[str] = (),
) -> Case:
    """The same without words, for who asks more of it than the list; at least one stage must have failed."""
    table = table or defects()
    ran = [run for run in runs if run.passed is not None]
    every = possible_faults(board, table) if faults is None else faults
    return Case(board, ran, table, every, frozenset(cleared))


class Case:
    """One stop of the plan on one board, on the way to its answer: what the stages say, without words.

    `chances` of each fault, by its place among `faults`; `by_part` the likeliest of them by where they are; `visits`
    the parts in the order of looking, each with places in `by_part`. `before` is the case to which runs were added.
    """

    def __init__(
        self,
        board: Board,
        runs: Sequence[StageRun],
        table: Defects,
        faults: Sequence[Fault],
        cleared: frozenset[str],
        before: Case | None = None,
    ) -> None:
        self.board = board
        self.runs = runs
        self.table = table
        known = [] if before is None else before.reaches
        self.reaches: list[Reach] = [
            *known,
            *(reach(board, run.exercises, table.strength) for run in runs[len(known) :]),
        ]
        self.needs: dict[int, tuple[float, ...]] = {}
        self.faults = faults
        self.cleared = cleared
        every = [(found, table.strength, run.named) for found, run in zip(self.reaches, runs, strict=True)]
        failed = [around for around, run in zip(every, runs, strict=True) if not run.passed]
        for number, fault in enumerate(faults):
            if any(fault.need(*around) for around in failed):
                self.needs[number] = tuple(fault.need(*around) for around in every)
        self.fits: dict[int, tuple[float, ...]] = {}
        self.signatures: dict[tuple[tuple[float, ...], tuple[float, ...]], list[int]] = {}
        self.members, self.columns = self._columns()
        self.posterior = self._posterior()
        self.chances = {
            number: chance
            for group, members in zip(self.members, self.posterior.members, strict=True)
            for number, chance in zip(group, members, strict=True)
        }
        kept = sorted(self.chances, key=lambda number: -self.chances[number])[:_LISTED]
        self.by_part: dict[str, list[int]] = {}
        for number in kept:
            self.by_part.setdefault(self.faults[number].part, []).append(number)
        costs = {part: [(self.chances[n], self.minutes(n)) for n in them] for part, them in self.by_part.items()}
        self.visits = inspection_order(costs, table.opening_min)

    def _columns(self) -> tuple[list[list[int]], list[Column]]:
        """Faults that no stage and no reading can tell apart, together."""
        together: dict[object, list[int]] = {}
        for number, needs in self.needs.items():
            fault = self.faults[number]
            self.fits[number] = tuple(
                fault.fit(run.evidence) if run.evidence and not run.passed else 1.0 for run in self.runs
            )
            self.signatures.setdefault(self._signature(number), []).append(number)
            together.setdefault((needs, self.fits[number], fault.defect.modes), []).append(number)
        groups = list(together.values())
        columns = [
            Column(
                tuple(self._odds(self.faults[number]) for number in group),
                self.needs[group[0]],
                self.fits[group[0]],
                self.faults[group[0]].defect.modes,
            )
            for group in groups
        ]
        return groups, columns

    def _odds(self, fault: Fault) -> float:
        missed = fault.defect.missed if self.cleared and fault.key in self.cleared else 1.0
        return fault.odds * missed

    def _posterior(self) -> Posterior:
        outcomes = [
            Outcome(bool(run.passed), run.evidence.otherwise if run.evidence and not run.passed else 1.0)
            for run in self.runs
        ]
        failed = sum(not outcome.passed for outcome in outcomes)
        unlisted = self.table.unlisted * self.table.unlisted_more ** (min(failed, _STAGES_APART) - 1)
        return diagnose(self.columns, outcomes, self.table.leak, unlisted)

    def answer(self) -> Suspects:
        """The case in words."""
        explanations = self._explanations()
        at_part = health((found.parts, found.probability) for found in explanations)
        groups = [
            self._group(part, [self.by_part[part][n] for n in places], at_part, self.visits[0][0])
            for part, places in self.visits
        ]
        listed = math.fsum(self.chances[number] for numbers in self.by_part.values() for number in numbers)
        return Suspects(
            tuple(groups),
            self.posterior.rest,
            math.fsum(self.chances.values()) - listed,
            tuple(
                found
                for found in explanations[:_MOST_NAMED]
                if found.probability >= _WORTH_NAMING and "" not in found.parts
            ),
            self._fewest(),
            self._notes(),
        )

    def after(self, run: StageRun) -> Case:
        """The case with one more stage that ran."""
        return Case(self.board, [*self.runs, run], self.table, self.faults, self.cleared, self)

    def minutes(self, number: int) -> float:
        """Minutes until it is known whether this is bad: looking, and reflowing where looking does not settle it."""
        part = self.board.part(self.faults[number].part)
        return part.inspect_min + self.faults[number].defect.missed * part.reflow_min

    def _explanations(self) -> list[Explanation]:
        """Sets of parts with the chance that just these are faulty, likeliest first; "" for all parts not listed."""
        parts = [[self.faults[number].part for number in group] for group in self.members]
        owners = [[part if part in self.by_part else "" for part in group] for group in parts]
        found = [Explanation(who, chance) for who, chance in self.posterior.diagnoses(owners).items()]
        return sorted(found, key=lambda item: -item.probability)

    def _fewest(self) -> int | None:
        """Size of the smallest set of permanent faults that fits the stages that failed and those that passed."""
        passed = [stage for stage, run in enumerate(self.runs) if run.passed]
        fitting = {
            place: column
            for place, column in enumerate(self.columns)
            if math.prod(1 - column.needs[stage] for stage in passed) > _CONTRADICTED
        }
        rows = [
            {place for place, column in fitting.items() if column.needs[stage] >= _SURE_NEED}
            for stage, run in enumerate(self.runs)
            if not run.passed
        ]
        found = smallest_hitting_set(rows, _MOST_TOGETHER)
        return None if found is None else len(found)

    def _group(self, part: str, numbers: Sequence[int], at_part: Mapping[str, float], first: str) -> Group:
        used = [found.parts.get(part, 0.0) >= _SURE_NEED for found in self.reaches]
        items = tuple(self._suspect(number, self.chances[number]) for number in numbers)
        return Group(
            part,
            part_why(self.board, part, self.runs, used, first),
            items,
            at_part.get(part, 0.0),
            self.table.opening_min + math.fsum(item.minutes for item in items),
            shared_nets(self.board, part, first),
            spectrum((bool(run.passed), uses) for run, uses in zip(self.runs, used, strict=True)),
        )

    def _suspect(self, number: int, chance: float) -> Suspect:
        fault = self.faults[number]
        return Suspect(
            fault.key,
            fault.kind,
            title(fault),
            fault.pins,
            chance,
            self.minutes(number),
            why(fault, self.needs[number], self.runs, self._alike(number)),
            how_to_look(self.board, fault),
            fault.defect.caution_id,
            fault.defect.caution,
        )

    def _alike(self, number: int) -> list[Fault]:
        """The faults that no stage can tell from this one: all need or do not need the same, with the same readings."""
        same = self.signatures[self._signature(number)]
        return [self.faults[other] for other in same if other != number]

    def _signature(self, number: int) -> tuple[tuple[float, ...], tuple[float, ...]]:
        return self.needs[number], self.fits[number]

    def _notes(self) -> tuple[str, ...]:
        out = []
        places = [pin.place for pin in self.board.circuit.pins]
        if None in places:
            count = sum(place is None for place in places)
            out.append(f"pads without a place: {count} of {len(places)}; bridges there are not considered")
        for run, found in zip(self.runs, self.reaches, strict=True):
            if not run.passed and not (found.pins or found.parts or found.apart):
                out.append(f"{clean(run.name)} failed, and the plan does not say what it uses")
        return tuple(out)
