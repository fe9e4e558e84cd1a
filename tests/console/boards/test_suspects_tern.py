"""Staged faults on the example board: the stages that then fail, reasoned by hand, and who is suspected.

The electrical model is the benchmark's and shares no code with the ranking.
"""

from __future__ import annotations

from random import Random

import pytest

from console.boards.defects import defects
from console.boards.faults import Kind, possible_faults
from console.boards.netlist import parse_netlist
from console.boards.stagerun import Board
from console.boards.suspects import suspects
from tests.benchmarks.suspects import CLASSES, STAGES, TERN, Staged, one_board, run

CIRCUIT = parse_netlist(TERN.read_bytes()).circuit
BOARD = Board(CIRCUIT, CLASSES)
FAULTS = possible_faults(BOARD, defects())


def at(kind: Kind, *refs: str) -> Staged:
    """A permanent fault at these pins, or of this part."""
    if kind is Kind.PART:
        return Staged(kind, (), refs[0])
    pins = [CIRCUIT.pin(*ref.split(".")) for ref in refs]
    return Staged(kind, tuple(pin for pin in pins if pin is not None))


# fault; stages that fail; within how many looks it must be found
CASES = [
    (at(Kind.OPEN, "U6.2"), {"flash identifies"}, 10),
    (at(Kind.OPEN, "U4.14"), {"flash identifies"}, 3),
    (at(Kind.OPEN, "U4.15"), {"flash identifies", "gate array configures"}, 3),
    (at(Kind.BRIDGE, "U4.15", "U4.16"), {"flash identifies", "gate array identifies"}, 5),
    (at(Kind.OPEN, "U4.43"), {"clock chip answers", "sensor answers"}, 5),
    (at(Kind.PART, "Y1"), {"gate array counts its clock"}, 3),
    (at(Kind.PART, "U7"), {"clock chip answers"}, 5),
    (at(Kind.OPEN, "U4.30"), {"rom loader answers"}, 10),
    (at(Kind.BRIDGE, "U1.4", "U1.5"), {"usb enumerates"}, 15),
    (at(Kind.OPEN, "U4.9"), set(), 0),  # one of four supply pins: nobody notices
    (at(Kind.PART, "C5"), set(), 0),
]


@pytest.mark.parametrize(("fault", "failing", "within"), CASES)
def test_a_staged_fault_is_found_soon(fault: Staged, failing: set[str], within: int) -> None:
    runs = run(Random(1), CIRCUIT, [fault])
    assert {made.name for made in runs if made.passed is False} == failing
    if failing:
        assert one_board(BOARD, FAULTS, [fault], runs).ours <= within


def test_the_plan_names_only_what_is_on_the_board() -> None:
    for stage in STAGES:
        assert stage.exercises().missing(CIRCUIT) == ()
        assert all(CIRCUIT.pin(*ref.split(".")) is not None for path in stage.paths for ref in path)


def test_a_chip_and_a_clock_faulty_together_are_named_together() -> None:
    both = [at(Kind.PART, "U6"), at(Kind.PART, "Y1")]
    found = suspects(BOARD, run(Random(1), CIRCUIT, both), faults=FAULTS)
    assert found.fewest == 2
    parts = [explanation.parts for explanation in found.explanations]
    assert frozenset({"U6", "Y1"}) in parts
    assert all(len(group.items) for group in found.groups)
    assert {group.part for group in found.groups[:6]} >= {"U6", "Y1"}
