"""The whole plan on staged boards, by the bench's own hands: each stops where it must, and ends boxed and mended.

All pins of the example take minutes: tests/benchmarks/every_joint.py.
"""

from __future__ import annotations

import pytest

from console.bench.joints import Joints
from tests.console.bringup.bench_board import walked

# what is staged, and the stage that must stop: what a joint there does on a real board, derived from the netlist
STOPS = {
    "bridge-pins:a=U4.8,b=U4.9": "no-short-3v3",
    "bridge-pins:a=C8.1,b=C8.2": "no-short-1v2",
    "open-pin:pin=J1.1": "rail-3v3",
    "open-pin:pin=U2.5": "rail-3v3",
    "dead-part:part=U2": "rail-3v3",
    "open-pin:pin=U3.5": "rail-1v2",
    "dead-part:part=U3": "rail-1v2",
    "bridge-pins:a=U2.4,b=U2.5": "",  # joined to nothing
    "open-pin:pin=J1.2": "plug",
    "open-pin:pin=U1.4": "plug",
    "open-pin:pin=U6.2": "memory",
    "open-pin:pin=U5.17": "fpga",
    "open-pin:pin=U7.5": "clock",
    "open-pin:pin=U7.8": "clock",
    "open-pin:pin=R3.1": "lamp",
    "open-pin:pin=D1.1": "lamp",
    "dead-part:part=D1": "lamp",
    "open-pin:pin=J4.3": "radio-header",
}


@pytest.mark.parametrize("flaw", [flaw for flaw, stage in STOPS.items() if stage])
def test_a_staged_board_stops_where_it_must_and_ends_boxed(flaw: str) -> None:
    walk = walked(flaw)
    assert walk.boxed, (walk.outcome, walk.error, walk.looks)
    assert walk.failed == [STOPS[flaw]]
    assert walk.board.setup.joints == Joints()
    assert len(walk.repairs) == 1


@pytest.mark.parametrize("flaw", ["bridge-pins:a=U2.4,b=U2.5", "open-pin:pin=U4.23", "open-pin:pin=U1.14"])
def test_what_no_stage_can_see_stops_nothing(flaw: str) -> None:
    walk = walked(flaw)
    assert (walk.boxed, walk.looks) == (True, [])


@pytest.mark.parametrize("flaw", ["open-pin:pin=U4.30", "shaky-pin:pin=U4.31", "bridge-pins:a=U1.16,b=U1.17"])
def test_a_silent_board_is_followed_to_its_joint(flaw: str) -> None:
    walk = walked(flaw)
    assert walk.boxed, (walk.outcome, walk.error, walk.looks)
    assert walk.board.setup.joints == Joints()


def test_a_short_supply_is_measured_first_and_its_bridge_is_what_is_mended() -> None:
    walk = walked("bridge-pins:a=U4.8,b=U4.9")
    assert walk.readings["no-short-3v3"] == pytest.approx(0.5, abs=0.1)
    assert [done.key for done in walk.repairs] == ["bridge U4.8 U4.9"]
    assert 3.135 <= (walk.readings["rail-3v3"] or 0) <= 3.465  # once it is mended


def test_a_joint_that_comes_and_goes_is_found_by_moving_it() -> None:
    walk = walked("shaky-pin:pin=U7.8")
    assert walk.boxed
    assert walk.failed[0] in ("clock", "warmth")  # whenever it lets go first
    assert walk.board.setup.joints == Joints()


def test_two_faults_are_found_one_after_the_other() -> None:
    walk = walked("open-pin:pin=J1.3", "open-pin:pin=R3.2")
    assert walk.boxed
    assert walk.failed == ["plug", "lamp"]
    assert walk.board.setup.joints == Joints()


def test_a_silent_line_clears_nobody() -> None:
    # the resistor in the board's TX line is open: `listen` passes as on a good board, and tells nothing of that line
    walk = walked("open-pin:pin=R2.1")
    assert walk.boxed
    before = walk.looks[: walk.looks.index("open joint R2.1")]
    assert "open joint U4.30" in before  # the same line's other joints are not put behind those of the chip's grounds
    assert before.index("open joint U4.30") < before.index("open joint U4.23")
