"""What to measure or run before looking: the probe that is expected to save more looking than it takes. Pure.

Both answers of a probe are weighed with the posterior that ranks the suspects, as one more stage that passed or failed.
What a probe is worth is the expected cost of looking now, less that after it (value of information, one step ahead).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from console.boards.defects import Defects, defects
from console.boards.reasons import title
from console.boards.stagerun import Board, Exercises, StageRun, reach
from console.boards.suspects import Case
from console.text import clean

VOLTS: Final = "volts"
OHMS: Final = "ohms"
# common practice, no source: minutes for a reading on a live board, for ohms on a dead one
_VOLTS_MIN: Final = 1.0
_OHMS_MIN: Final = 1.0
_WORTH_MIN: Final = 0.5  # what a probe must save beyond its own minutes to be worth a word
_TRIED: Final = 3  # probes that are weighed to the end, by how open their answer is


@dataclass(frozen=True, slots=True)
class Probe:
    """Something that can be measured or run now. `key` names it: ``volts +3V3``, ``ohms +3V3 GND``, ``stage clock``.

    `title` says what to do, in safe words. `good` is its run where the answer is good, `bad` where not. `net` is the
    supply that it is about, "" for a stage.
    """

    key: str
    title: str
    minutes: float
    exercises: Exercises
    net: str = ""

    @property
    def live(self) -> bool:
        """Whether the board needs its power for it."""
        return not self.exercises.apart

    def run(self, good: bool) -> StageRun:
        """The probe as a stage that ran."""
        return StageRun(self.key, good, self.exercises)


@dataclass(frozen=True, slots=True)
class Split:
    """A probe that is worth more than looking at once. `saves_min`: minutes of looking it is expected to save, its own
    taken off. `bad`: chance that its answer is bad. `first_if_good`, `first_if_bad`: what to look at first then."""

    probe: Probe
    saves_min: float
    bad: float
    first_if_good: str
    first_if_bad: str

    @property
    def words(self) -> str:
        """What to do and what for, in one line."""
        return f"{self.probe.title} (about {max(1, round(self.probe.minutes))} min): {self.worth}"

    @property
    def worth(self) -> str:
        """What it is good for."""
        saves = f"expected to save about {max(1, round(self.saves_min))} min of looking"
        return f"{saves}; then first, if it is good: {self.first_if_good}; if not: {self.first_if_bad}"


def supply_probes(board: Board, runs: Sequence[StageRun], table: Defects | None = None) -> Iterator[Probe]:
    """Volts and ohms of every supply that a failed stage needs, where they are not known yet."""
    table = table or defects()
    ran = [run for run in runs if run.passed is not None]
    failed = [reach(board, run.exercises, table.strength) for run in ran if not run.passed]
    for net in dict.fromkeys(net for found in failed for net in found.rails):
        use, where = supply_exercises(board, net), clean(_where(board, net))
        if use.parts and not any(run.exercises.parts and run.exercises.parts <= use.parts for run in ran):
            yield Probe(f"{VOLTS} {net}", f"measure {clean(net)} at {where} against ground", _VOLTS_MIN, use, net)
        for ground in _grounds(board, net):
            key, pair = f"{OHMS} {net} {ground}", frozenset({net, ground})
            if all(run.exercises.apart != pair for run in ran):
                words = f"measure ohms between {clean(net)} and {clean(ground)} at {where}"
                yield Probe(key, words, _OHMS_MIN, Exercises(apart=pair), net)


def supply_exercises(board: Board, net: str) -> Exercises:
    """What a supply's voltage uses: the parts that make it and their joints on it; no parts where nobody makes it."""
    makers = frozenset(board.makers(net))
    return Exercises(makers, pins=frozenset(pin.ref for pin in board.circuit.nets[net] if pin.part in makers))


def _where(board: Board, net: str) -> str:
    """Where a meter finds the net: at a test point, else at a small part, else at any visible pin."""
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


def best_split(case: Case, probes: Iterable[Probe]) -> Split | None:
    """The probe that saves most, or None where none is worth more than looking at once."""
    if not case.visits:
        return None
    among = case.chances.keys()
    looking = _looking_min(case, among)
    best: Split | None = None
    for probe in sorted(probes, key=lambda probe: -_openness(case, probe))[:_TRIED]:
        good, bad = (case.after(probe.run(answer)) for answer in (True, False))
        share = bad.posterior.weight / (bad.posterior.weight + good.posterior.weight)
        after = share * _looking_min(bad, among) + (1 - share) * _looking_min(good, among)
        saves = looking - after - probe.minutes
        if saves > max(_WORTH_MIN, best.saves_min if best else 0.0):
            best = Split(probe, saves, share, _first(good), _first(bad))
    return best


def _first(case: Case) -> str:
    """What to look at first; every case has visits, because a probe takes none of the suspects away."""
    part, places = case.visits[0]
    return title(case.faults[case.by_part[part][places[0]]])


def _looking_min(case: Case, among: Collection[int]) -> float:
    """Expected minutes of looking in this order until what made the stages fail is found.

    `among` are the suspects before the probe: what it adds to them is another fault, which would be found later anyway,
    but it can stand in the way. Those not listed are found after all that are.
    """
    total = spent = listed = 0.0
    for part, places in case.visits:
        spent += case.table.opening_min
        for place in places:
            number = case.by_part[part][place]
            spent += case.minutes(number)
            if number in among:
                listed += case.chances[number]
                total += case.chances[number] * spent
    left = math.fsum(case.chances[number] for number in among if number in case.chances) - listed
    return total + left * spent


def _openness(case: Case, probe: Probe) -> float:
    """How much a probe's answer is expected to tell, in nats a minute, each suspect taken alone."""
    found = reach(case.board, probe.exercises, case.table.strength)
    fails = math.fsum(
        chance * case.faults[number].need(found, case.table.strength) for number, chance in case.chances.items()
    )
    bad = min(max(fails, case.table.leak), 1 - case.table.leak)
    return -(bad * math.log(bad) + (1 - bad) * math.log(1 - bad)) / probe.minutes
