"""What to measure before looking: cases of our own, reasoned by hand; the arithmetic against the public ranking.

That both answers together leave the chances as they were is checked in test_candidates.py.
"""

from __future__ import annotations

from collections.abc import Iterable

import pytest

from console.boards.circuit import Circuit
from console.boards.defects import defects
from console.boards.faults import possible_faults
from console.boards.splits import Probe, Split, best_split, supply_exercises, supply_probes
from console.boards.stagerun import Board, Exercises, StageRun
from console.boards.suspects import Suspects, suspects, weigh
from tests.console.boards.bench_board import BOARD, SERIAL, SPI, ran, row

TABLE = defects()
# two chips joined by eight nets, so far apart that nothing bridges
NETS = [f"N{n}" for n in range(8)]
WIDE = Board(Circuit([*row("U1", 0, 0, 3.0, *NETS), *row("U2", 0, 9, 3.0, *NETS)]))
FAULTS = possible_faults(WIDE, TABLE)
FAILED = [ran("all", False, Exercises(nets=frozenset({"N*"})))]


def over(nets: Iterable[str], minutes: float = 1.0) -> Probe:
    """A test that fails where a joint on these nets is open."""
    names = frozenset(nets)
    return Probe(f"stage {'-'.join(sorted(names))}", "a test", minutes, Exercises(nets=names))


def split(*tests: Probe) -> Split | None:
    return best_split(weigh(WIDE, FAILED, faults=FAULTS), tests)


def looking_min(found: Suspects) -> float:
    """Expected minutes until the fault is found, from what is shown to the user alone."""
    total = spent = 0.0
    for group in found.groups:
        spent += group.minutes - sum(item.minutes for item in group.items)
        for item in group.items:
            spent += item.minutes
            total += item.probability * spent
    return total


def test_the_test_that_parts_the_suspects_evenly_is_worth_most() -> None:
    half, one = over(NETS[:4]), over(NETS[:1])
    found = split(one, half)
    assert found is not None
    assert found.probe is half
    assert 0.2 < found.bad < 0.7


def test_what_it_saves_is_the_looking_now_less_the_looking_after_it_and_its_own_minutes() -> None:
    half = over(NETS[:4])
    found = split(half)
    assert found is not None
    now = suspects(WIDE, FAILED, faults=FAULTS)
    good, bad = (suspects(WIDE, [*FAILED, half.run(answer)], faults=FAULTS) for answer in (True, False))
    after = found.bad * looking_min(bad) + (1 - found.bad) * looking_min(good)
    assert found.saves_min == pytest.approx(looking_min(now) - after - half.minutes, rel=1e-6)
    assert found.first_if_good == next(good.items()).title
    assert found.first_if_bad == next(bad.items()).title
    assert found.first_if_bad in found.words


@pytest.mark.parametrize("test", [over(()), over(NETS), over(NETS[:4], minutes=60.0)])
def test_what_tells_nothing_or_takes_too_long_is_not_proposed(test: Probe) -> None:
    assert split(test) is None


def test_nothing_is_proposed_without_suspects() -> None:
    assert best_split(weigh(WIDE, [ran("mystery", False, Exercises())]), [over(NETS[:4])]) is None
    assert split() is None


def test_supplies_that_a_failed_stage_needs_are_measured_unless_they_were() -> None:
    failed = ran("flash identifies", False, SPI)
    tests = {test.key: test for test in supply_probes(BOARD, [failed])}
    assert tests.keys() == {"volts +3V3", "ohms +3V3 GND", "volts VBUS", "ohms VBUS GND"}
    assert tests["volts +3V3"].live
    assert not tests["ohms +3V3 GND"].live
    assert tests["volts +3V3"].exercises == supply_exercises(BOARD, "+3V3") == Exercises(
        frozenset({"U3"}), pins=frozenset({"U3.5"})
    )  # fmt: skip
    # at a small part, where a probe finds it
    assert tests["volts +3V3"].title == "measure +3V3 at R2.2 against ground"
    measured = ran("rail", True, Exercises(frozenset({"U3"}), pins=frozenset({"U3.1", "U3.5"})))
    apart = tests["ohms +3V3 GND"].run(good=True)
    assert {test.key for test in supply_probes(BOARD, [failed, measured, apart])} == {"volts VBUS", "ohms VBUS GND"}
    assert not list(supply_probes(BOARD, [ran("flash identifies", None, SPI), ran("loader", True, SERIAL)]))


def test_ohms_tell_of_bridges_between_just_these_nets() -> None:
    faults = possible_faults(BOARD, TABLE)
    failed = ran("rail", False, Exercises(frozenset({"U3"})))
    ohms = next(test for test in supply_probes(BOARD, [failed]) if test.key == "ohms +3V3 GND")

    def bridged(*runs: StageRun) -> float:
        found = suspects(BOARD, [failed, *runs], faults=faults)
        pairs = {"+3V3", "GND"}
        return sum(item.probability for item in found.items() if {pin.net for pin in item.pins} == pairs)

    assert bridged(ohms.run(good=True)) < 0.1 * bridged()
    assert bridged(ohms.run(good=False)) > 0.9


def test_words_are_safe() -> None:
    evil = "+3V3\x1b[31m\u202e"
    pins = [
        *row("U1", 0, 0, 3.0, "GND", evil, "A", "B"),
        *row("VR1" + evil, 0, 9, 3.0, "GND", evil),
        *row("U2", 0, 19, 3, "A"),
    ]
    board = Board(Circuit(pins), power=frozenset({evil, "GND"}))
    runs = [ran("x", False, Exercises(frozenset({"U1"})))]
    tests = list(supply_probes(board, runs))
    assert tests
    for test in tests:
        found = best_split(weigh(board, runs), [Probe(test.key, test.title, 1e-6, test.exercises, test.net)])
        assert test.title.isprintable()
        assert found is None or found.words.isprintable()
