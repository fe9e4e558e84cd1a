"""What to measure or run before looking: the test that is expected to save more minutes of looking than it takes. Pure.

Both answers of a test are weighed with the posterior that ranks the suspects, as one more stage that passed or failed.
What a test is worth is the expected cost of looking now, less that after it (value of information, one step ahead).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from console.boards.defects import Defects, defects
from console.boards.faults import Fault
from console.boards.reasons import title
from console.boards.stagerun import Board, Exercises, StageRun, reach
from console.boards.suspects import Case
from console.text import clean

# common practice, no source: minutes for a reading on a live board, for ohms on a dead one
_VOLTS_MIN: Final = 1.0
_OHMS_MIN: Final = 1.0
_WORTH_MIN: Final = 0.5  # what a test must save beyond its own minutes to be worth a word
_TRIED: Final = 3  # tests that are weighed to the end, by how open their answer is


@dataclass(frozen=True, slots=True)
class Test:
    """Something that can be measured or run now. `key` names it: ``volts +3V3``, ``ohms +3V3 GND``, ``stage clock``.

    `title` says what to do, in safe words. `good` is its run where the answer is good, `bad` where not. `net` is the
    supply that it is about, "" for a stage.
    """

    key: str
    title: str
    minutes: float
    exercises: Exercises
    net: str = ""

    def run(self, good: bool) -> StageRun:
        """The test as a stage that ran."""
        return StageRun(self.key, good, self.exercises)


@dataclass(frozen=True, slots=True)
class Split:
    """A test that is worth more than looking at once. `saves_min`: minutes of looking it is expected to save, its own
    taken off. `bad`: chance that its answer is bad. `first_if_good`, `first_if_bad`: what to look at first then."""

    test: Test
    saves_min: float
    bad: float
    first_if_good: str
    first_if_bad: str

    @property
    def words(self) -> str:
        """What it is good for, in one line."""
        saves = f"expected to save about {max(1, round(self.saves_min))} min of looking"
        return f"{saves}; then first, if it is good: {self.first_if_good}; if not: {self.first_if_bad}"


def supply_tests(board: Board, runs: Sequence[StageRun], table: Defects | None = None) -> Iterator[Test]:
    """Volts and ohms of every supply that a failed stage needs, where they are not known yet."""
    table = table or defects()
    failed = [reach(board, run.exercises, table.strength) for run in runs if run.passed is False]
    known = {run.name for run in runs if run.passed is not None}
    for net in dict.fromkeys(net for found in failed for net in found.rails):
        makers = frozenset(board.makers(net))
        pins = [pin for pin in board.circuit.nets[net] if pin.part in makers]
        where = _where(board, net)
        if makers and not any(_measured(board, run, net, makers) for run in runs):
            use = Exercises(makers, pins=frozenset(pin.ref for pin in pins))
            yield Test(f"volts {net}", f"measure {clean(net)} at {clean(where)} against ground", _VOLTS_MIN, use, net)
        for ground in _grounds(board, net):
            key, pair = f"ohms {net} {ground}", frozenset({net, ground})
            if key not in known and not any(run.exercises.apart == pair for run in runs):
                words = f"measure ohms between {clean(net)} and {clean(ground)} at {clean(where)}"
                yield Test(key, words, _OHMS_MIN, Exercises(apart=pair), net)


def _measured(board: Board, run: StageRun, net: str, makers: Collection[str]) -> bool:
    """Whether a run was about this supply itself: it uses its makers and nothing else."""
    return run.passed is not None and bool(run.exercises.parts) and run.exercises.parts <= set(makers)


def _where(board: Board, net: str) -> str:
    """Where a probe finds the net: at a test point, else at a small part, else at any visible pin."""
    pins = board.circuit.nets[net]

    def ease(place: int) -> tuple[bool, bool, bool, int]:
        part = pins[place].part
        return board.part(part).role != "testpoint", part not in board.small, not board.part(part).visible, place

    return pins[min(range(len(pins)), key=ease)].ref


def _grounds(board: Board, net: str) -> list[str]:
    """The ground nets at the parts of a supply, most used first."""
    parts = {pin.part for pin in board.circuit.nets[net]}
    counts: dict[str, int] = {}
    for ref in parts:
        for pin in board.circuit.parts[ref]:
            if pin.net and board.is_rail(pin.net) and not board.is_supply_rail(pin.net):
                counts[pin.net] = counts.get(pin.net, 0) + 1
    return sorted(counts, key=lambda name: (-counts[name], name))[:1]


def best_split(
    board: Board,
    runs: Sequence[StageRun],
    tests: Iterable[Test],
    faults: Sequence[Fault],
    table: Defects | None = None,
    cleared: Collection[str] = (),
) -> Split | None:
    """The test that saves most, or None where none is worth more than looking at once. Arguments as for `suspects`."""
    table = table or defects()
    ran = [run for run in runs if run.passed is not None]
    now = Case(board, ran, table, faults, frozenset(cleared))
    if not now.visits:
        return None
    looking = _looking_min(now)
    best: Split | None = None
    for test in sorted(tests, key=lambda test: -_openness(now, test))[:_TRIED]:
        good, bad = (
            Case(board, [*ran, test.run(answer)], table, faults, frozenset(cleared), now) for answer in (True, False)
        )
        share = bad.posterior.weight / (bad.posterior.weight + good.posterior.weight)
        after = share * _looking_min(bad) + (1 - share) * _looking_min(good)
        saves = looking - after - test.minutes
        if saves > max(_WORTH_MIN, best.saves_min if best else 0.0):
            best = Split(test, saves, share, _first(good), _first(bad))
    return best


def _first(case: Case) -> str:
    """What to look at first; every case has visits, because a test takes none of the suspects away."""
    part, places = case.visits[0]
    return title(case.faults[case.by_part[part][places[0]]])


def _looking_min(case: Case) -> float:
    """Expected minutes of looking in this order until the fault is found, where it is one of those listed."""
    total, spent = 0.0, 0.0
    for part, places in case.visits:
        spent += case.table.opening_min
        for place in places:
            number = case.by_part[part][place]
            spent += case.minutes(number)
            total += case.chances[number] * spent
    return total


def _openness(case: Case, test: Test) -> float:
    """How much a test's answer is expected to tell, in nats a minute, each suspect taken alone."""
    found = reach(case.board, test.exercises, case.table.strength)
    fails = math.fsum(
        chance * case.faults[number].need(found, case.table.strength) for number, chance in case.chances.items()
    )
    bad = min(max(fails, case.table.leak), 1 - case.table.leak)
    return -(bad * math.log(bad) + (1 - bad) * math.log(1 - bad)) / test.minutes
