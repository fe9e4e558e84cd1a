"""Order, what must run before what, and which stages count again after a repair."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.boards.board_file import load_board
from console.boards.faults import Fault, Kind
from console.boards.plan import CONTENT, PASSING, Work, again_after, faults_of, repair_of

PLAN = load_board("tern-b")
IDS = [stage.id for stage in PLAN.stages]
FAULTS = {fault.key: fault for fault in faults_of(PLAN)}


def again(key: str) -> set[str]:
    return set(again_after(PLAN, repair_of(FAULTS[key], key)))


def way(id: str, passed: set[str], live: set[str] = frozenset()) -> list[str]:  # type: ignore[assignment]
    return [stage.id for stage in PLAN.way_to(id, passed, live)]


def test_from_nothing_everything_comes_first() -> None:
    assert way("box", set()) == IDS


def test_what_passed_is_not_repeated_while_its_effect_lasts() -> None:
    before = set(IDS[: IDS.index("fpga")])
    assert way("fpga", before, {"start"}) == ["fpga"]


def test_after_the_power_was_off_the_loader_is_woken_and_the_program_started_again() -> None:
    before = set(IDS[: IDS.index("fpga")])
    assert way("fpga", before) == ["sync", "identify", "start", "fpga"]


def test_what_the_chip_holds_needs_no_power_to_stay() -> None:
    before = set(IDS[: IDS.index("verify")])
    assert way("verify", before) == ["sync", "identify", "verify"]


@pytest.mark.parametrize(
    ("key", "some", "none"),
    [
        # a joint on the bus between chip, memory and FPGA: both are read again, the supply and the loader are not
        ("open joint U5.17", {"look-chips", "memory", "fpga"}, {"rail-3v3", "sync", "write", "clock"}),
        # beside it lies the supply pin of the memory, where solder can have run
        ("open joint U6.2", {"look-chips", "memory", "rail-3v3", "no-short-3v3"}, {"sync", "write"}),
        ("open joint R1.1", {"sync", "identify", "hello"}, {"write", "memory", "rail-3v3"}),
        ("clock Y1", {"no-short-3v3", "fpga"}, {"sync", "memory", "write"}),
        # another chip holds nothing
        ("part U4", {"sync", "erase", "write", "verify", "start", "memory"}, {"rail-1v2", "box"}),
        ("supply +1V2", {"rail-1v2", "no-short-1v2", "look-supply"}, {"sync", "clock"}),
    ],
)
def test_what_a_repair_can_have_touched_counts_again(key: str, some: set[str], none: set[str]) -> None:
    touched = again(key)
    assert some <= touched
    assert not none & touched


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(sorted(FAULTS)))
def test_every_repair_is_looked_at_again_where_its_part_is(key: str) -> None:
    fault: Fault = FAULTS[key]
    touched = again(key)
    for stage in PLAN.stages:
        if stage.work is Work.INSPECT and fault.part in stage.exercises.parts:
            assert stage.id in touched
        if stage.work in CONTENT:
            assert (stage.id in touched) is (fault.part == "U4" and fault.kind not in (Kind.OPEN, Kind.BRIDGE))


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(IDS), st.sets(st.sampled_from(IDS)), st.sets(st.sampled_from(IDS)))
def test_a_way_is_in_order_ends_with_its_stage_and_leaves_nothing_out(
    id: str, passed: set[str], live: set[str]
) -> None:
    found = way(id, passed, live)
    assert found == [one for one in IDS if one in found]
    assert found[-1] == id
    for one in found:
        for needed in PLAN.stage(one).after:
            stands = needed in passed and (PLAN.stage(needed).work not in PASSING or needed in live)
            assert stands or needed in found


def test_a_stage_says_whose_name_it_reads_and_which_nets_must_be_apart() -> None:
    uses = {stage.id: stage.exercises for stage in PLAN.stages}
    assert {id: use.names for id, use in uses.items() if use.names} == {
        "identify": {"U4"}, "memory": {"U6"}, "fpga": {"U5"}, "clock": {"U7"},
    }  # fmt: skip
    assert {id: use.apart for id, use in uses.items() if use.apart} == {
        "no-short-3v3": {frozenset({"+3V3", "GND"})}, "no-short-1v2": {frozenset({"+1V2", "GND"})},
        # volts that are right show two supplies that differ to be apart
        "rail-3v3": {frozenset({"+3V3", "VBUS"}), frozenset({"+3V3", "+1V2"})},
        "rail-1v2": {frozenset({"+1V2", "+3V3"})},
    }  # fmt: skip
    assert {id for id, use in uses.items() if use.unpowered} == {"no-short-3v3", "no-short-1v2"}
