"""Whole plans on staged boards: done to the end, stopped, repaired, resumed, taken back, and left."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.bench.chips import F303
from console.boards.plan import Work
from console.bringup import asking
from console.bringup.fold import State
from console.bringup.told import as_object
from console.bringup.words import suspect_lines
from console.errors import Outcome, UsageTrouble
from console.events import MarkKind
from console.operating import OTHER, Reply
from console.snapshot import Fold, ended, exit_code
from tests.console.bringup.staged_board import TERN, bring_up

IDS = [stage.id for stage in TERN.stages]


def found(outcome: str, value: float | None = None, unit: str = "") -> Reply:
    return Reply("found", outcome, value, unit)


def test_a_good_board_goes_from_the_first_look_to_its_box() -> None:
    story = bring_up()
    assert story.outcome is Outcome.OK
    assert [stage.state for stage in story.state.stages] == [State.PASSED] * len(IDS)
    assert all(stage.runs == 1 for stage in story.state.stages)
    assert story.state.repairs == ()
    assert story.snapshot.outcome is Outcome.OK
    assert story.snapshot.identity is not None
    assert story.snapshot.identity.product_id == 0x410


def test_every_stage_says_what_it_found() -> None:
    state = bring_up().state
    said = {stage.id: stage.found for stage in state.stages}
    assert said["rail-3v3"] == "3.3 V"
    assert said["no-short-3v3"] == "open"
    assert said["identify"].startswith("0x410")
    assert said["verify"] == "3072 bytes read back, all right"
    assert said["memory"] == "id 5A 31 14"
    assert said["warmth"] == "degrees 21, quarters 64"


@pytest.mark.parametrize(
    ("fault", "stage", "place"),
    [
        ("open-pin:pin=U6.2", "memory", "U6.2"),
        ("open-pin:pin=R8.1", "fpga", "R8.1"),
        ("open-pin:pin=U5.17", "fpga", "U5.17"),
        ("open-pin:pin=U7.5", "clock", "U7.5"),
        ("dead-part:part=Y1", "fpga", "Y1"),
        ("bridge-pins:a=U4.16,b=U4.17", "memory", "U4.1"),
    ],
)
def test_a_staged_fault_is_found_mended_and_the_plan_goes_on(fault: str, stage: str, place: str) -> None:
    story = bring_up(fault)
    assert story.outcome is Outcome.OK, story.state
    assert [done.stage for done in story.state.repairs] == [stage]
    assert place in story.state.repairs[0].key
    assert story.runs(stage) == 2
    assert (story.runs("write"), story.runs("verify")) == (1, 1), "what the chip holds stays proven"
    assert story.runs("sync") == 2, "after the power was off the loader is woken again"


def test_a_wrong_id_is_read_five_times_and_its_pattern_told() -> None:
    state = next(state for state in bring_up("open-pin:pin=U6.2").states if state.stopped_at == "memory")
    memory = state.stage("memory")
    assert memory is not None
    assert memory.outcome is Outcome.MISMATCH
    assert "FF FF FF, not 5A 31 14" in memory.off
    assert "read 5 times" in memory.off
    assert "every bit is 1" in memory.off


def test_suspects_come_with_reasons_and_cautions_and_the_board_dead() -> None:
    story = bring_up("open-pin:pin=U6.2")
    stopped = next(state for state in story.states if state.suspects)
    assert all(one.why and one.look for one in stopped.suspects)
    looks = [check for check in story.hands.checks if check.id.startswith(("open joint", "bridge", "part"))]
    assert looks
    assert all(check.caution and "Take the cell out" in check.caution and check.risk == 3 for check in looks)
    asked = story.hands.asked
    assert asked.index(asking.POWER_DOWN, asked.index("rail-1v2")) < asked.index(looks[0].id)


def test_ohms_need_a_dead_board_and_volts_a_live_one() -> None:
    asked = bring_up().hands.asked
    assert asked[:8] == [
        "look-supply", "look-chips", asking.POWER_DOWN, "no-short-3v3", "no-short-1v2", asking.POWER_ON, "rail-3v3",
        "rail-1v2",
    ]  # fmt: skip
    cautions = {check.id: check.caution or "" for check in bring_up().hands.checks}
    assert "current limit" in cautions[asking.POWER_ON]
    assert "discharge" in cautions["no-short-3v3"]
    assert "slipped probe" in cautions["rail-3v3"]


def test_a_reading_out_of_its_limits_stops_the_plan_and_says_by_how_much() -> None:
    story = bring_up(says={"rail-3v3": [found("low", 2.9, "V")], "supply +3V3": [Reply("stop")]})
    assert story.outcome is Outcome.MISMATCH
    rail = story.state.stage("rail-3v3")
    assert rail is not None
    assert (rail.found, rail.off) == ("2.9 V", "0.235 V below the least allowed (3.135 V)")
    assert story.state.stopped_at == "rail-3v3"
    assert story.state.suspects[0].part in ("U2", "J1"), "no short was measured, so the way in comes first"
    assert story.snapshot.problem is not None
    assert "0.235 V below" in story.snapshot.problem.message
    assert story.runs("plug") == 0


def test_a_measured_short_accuses_the_solder_between_those_two_nets() -> None:
    story = bring_up(says={"no-short-3v3": [found("low", 0.2, "ohm")]} | _stop_everywhere())
    assert story.outcome is Outcome.MISMATCH
    first = story.state.suspects[0]
    nets = {pin.net for pin in TERN.board.circuit.pins if pin.ref in first.pins}
    assert nets == {"+3V3", "GND"}
    # a board that may be short is not switched on to learn more, and what was measured is not asked for again
    assert not any(id.startswith(("volts", "ohms")) for id in story.hands.asked)
    assert asking.POWER_ON not in story.hands.asked


@pytest.mark.parametrize("stage", ["no-short-3v3", "no-short-1v2"])
def test_a_measured_short_sends_nobody_to_measure_a_supply_with_power_on(stage: str) -> None:
    story = bring_up(says={stage: [found("low", 0.2, "ohm")]} | _stop_everywhere())
    assert story.state.suspects
    assert not any(one.key.startswith("supply") for one in story.state.suspects)
    assert story.hands.asked[-1] not in (asking.POWER_ON, "supply VBUS")


def test_work_with_the_iron_is_done_on_a_dead_board_with_its_cautions_first() -> None:
    story = bring_up()
    hot = next(check for check in story.hands.checks if check.id == "radio-header")
    assert hot.caution is not None
    assert hot.caution.startswith("Take the cell out")
    assert "burn at once" in hot.caution
    asked = story.hands.asked
    assert asked[asked.index("radio-header") - 1] == asking.POWER_DOWN


def test_looked_at_in_vain_is_remembered_and_tried_again_without_a_change() -> None:
    story = bring_up(says={"rail-3v3": [found("low", 2.9, "V")], "supply +3V3": [found(asking.RETRY)]})
    assert story.outcome is Outcome.OK
    assert story.runs("rail-3v3") == 2
    looked = [key for key in story.hands.asked if " " in key]
    assert looked[-1] == "supply +3V3"
    assert len(looked) == len(set(looked)), "nothing is asked for twice"
    assert story.state.repairs == ()


def test_what_is_put_right_while_looking_is_a_repair() -> None:
    story = bring_up(says={"look-chips": [found(asking.MENDED)]})
    assert story.outcome is Outcome.OK
    assert [done.key for done in story.state.repairs] == ["seen in look-chips"]


def test_notes_are_kept_and_change_nothing() -> None:
    story = bring_up(says={"lamp": [Reply("note", text="the lid was wet")]})
    assert story.outcome is Outcome.OK
    assert any(
        event.fields.get("text") == "the lid was wet"
        for event in story.events
        if getattr(event, "kind", None) is MarkKind.OPERATOR
    )


def test_an_answer_can_be_taken_back() -> None:
    story = bring_up(says={"rail-1v2": [Reply("undo")]})
    assert story.outcome is Outcome.OK
    assert story.runs("rail-3v3") == 2


def test_leaving_in_the_middle_is_no_success() -> None:
    story = bring_up(says={"lamp": [Reply("stop")]})
    assert story.outcome is Outcome.STOPPED
    assert story.snapshot.outcome is Outcome.STOPPED
    lamp = story.state.stage("lamp")
    assert lamp is not None
    assert lamp.state is State.LEFT
    assert story.state.passed == IDS.index("lamp")


def test_a_port_that_does_not_come_is_a_finding() -> None:
    story = bring_up(there=(False, "nothing came"), says={"part U1": [Reply("stop")]} | _stop_everywhere())
    plug = story.state.stage("plug")
    assert plug is not None
    assert (plug.outcome, plug.off) == (Outcome.PORT, "nothing came")
    assert story.outcome is Outcome.PORT


def _stop_everywhere() -> dict[str, list[Reply]]:
    from console.boards.plan import faults_of

    return {fault.key: [Reply("stop")] for fault in faults_of(TERN)}


def test_from_a_stage_on_what_stands_before_it_is_trusted() -> None:
    story = bring_up("logger-programmed", start_at="memory")
    assert story.outcome is Outcome.OK
    states = {stage.id: stage.state for stage in story.state.stages}
    assert states["look-chips"] is State.TRUSTED
    assert states["verify"] is State.TRUSTED
    assert story.runs("sync") == story.runs("start") == 1, "their effect is not there unless they run"


def test_from_a_stage_that_the_plan_does_not_have() -> None:
    with pytest.raises(UsageTrouble, match="no stage"):
        bring_up(start_at="memmory")


def test_a_silent_board_is_diagnosed_with_the_workshops_own_checks() -> None:
    story = bring_up("board-tx-open", says=_stop_everywhere() | {"K02": [Reply("stop")]} | _workshop_stops())
    assert story.outcome is Outcome.NO_ANSWER
    assert story.state.stopped_at == "sync"
    assert story.snapshot.causes
    assert any(name.startswith(("K", "R")) for name in story.hands.asked)


def _workshop_stops() -> dict[str, list[Reply]]:
    from console.causes.catalogue import catalogue

    table = catalogue()
    return {name: [Reply("stop")] for name in (*table.checks, *table.repairs)}


def test_another_chip_than_the_plans_is_refused_before_anything_is_erased() -> None:
    story = bring_up("target-clock-dead", says=_stop_everywhere() | _workshop_stops())
    assert story.outcome is not Outcome.OK
    assert story.runs("erase") == 0


@pytest.mark.parametrize("faults", [(), ("open-pin:pin=U6.2",)])
def test_the_record_alone_tells_the_same_story(faults: tuple[str, ...]) -> None:
    story = bring_up(*faults)
    again = Fold()
    for event in story.events:
        again.add(event)
    assert again.snapshot().bringup == story.state
    assert again.snapshot() == story.snapshot


def test_a_record_that_was_cut_says_where_the_plan_was() -> None:
    story = bring_up()
    cut = next(n for n, event in enumerate(story.events) if getattr(event, "fields", {}).get("stage") == "write"
               and getattr(event, "fields", {}).get("step") == "begin")  # fmt: skip
    fold = Fold()
    for event in story.events[: cut + 5]:
        fold.add(event)
    found = ended(fold.snapshot())
    assert found.outcome is Outcome.STOPPED
    assert found.problem is not None
    assert found.problem.message == "the record ends in the middle of the plan, at write"
    assert exit_code(found) == 8


def test_the_record_at_every_moment_is_the_state_of_that_moment() -> None:
    story = bring_up("open-pin:pin=R8.1")
    again, seen = Fold(), []
    for event in story.events:
        again.add(event)
        state = again.snapshot().bringup
        if state is not None and (not seen or seen[-1] != state):
            seen.append(state)
    assert seen == story.states


def test_every_kind_of_work_is_done_somewhere() -> None:
    assert {stage.work for stage in TERN.stages} == {Work(stage.work) for stage in bring_up().state.stages}


def test_another_chip_that_answers_steadily_is_the_first_suspect_before_any_joint() -> None:
    # AN2606 Rev 70 Table 226: 0x410 and 0x422 are ids of two families; they differ in three bits, which no single
    # stuck bit and no shift explains
    story = bring_up(product=F303)
    (stop,) = story.state.history.stops
    assert stop.stage == "identify"
    first = stop.suspects[0]
    assert (first.key, first.part) == ("other part U4", "U4")
    assert first.probability > 0.9
    assert "board file" in first.look
    run = next(run for run in story.state.history.ran if run.stage == "identify")
    assert run.seen == ("another-known-id",)
    assert "read 5 times" in run.off
    # the simulated hands put in the chip that the design names, and the plan goes on from the blank chip
    assert [done.key for done in story.state.repairs] == ["other part U4"]
    assert story.outcome is Outcome.OK
    assert story.runs("identify") == 2


def test_what_is_worth_more_than_looking_is_asked_for_first_and_narrows_the_suspects() -> None:
    # from the rail on: nobody measured yet whether 3.3 V is short, and a short explains 0.4 V
    low = {"rail-3v3": [found("low", 0.4, "V")]} | _stop_everywhere()
    short = bring_up(start_at="rail-3v3", says=low | {"ohms +3V3 GND": [found(asking.NO)]})
    assert short.hands.asked.index("ohms +3V3 GND") == short.hands.asked.index(asking.POWER_DOWN) + 1
    asked = next(check for check in short.hands.checks if check.id == "ohms +3V3 GND")
    assert asked.title.startswith("before you look: measure ohms between +3V3 and GND at TP1.1")
    assert "min of looking" in asked.why
    assert asked.caution is not None
    assert "Power off" in asked.caution
    first = short.state.suspects[0]
    assert {pin.net for pin in TERN.board.circuit.pins if pin.ref in first.pins} == {"+3V3", "GND"}
    told = [state.before for state in short.states if state.before]
    assert told
    assert short.state.before == ""  # nothing more is worth measuring
    assert asking.POWER_ON not in short.hands.asked[short.hands.asked.index("ohms +3V3 GND") :]
    left = bring_up(start_at="rail-3v3", says=low | {"ohms +3V3 GND": [Reply("stop")]}).state
    lines = list(suspect_lines(left))
    assert f"before you look: {left.before}" in lines
    assert as_object(left)["before_look"] == left.before
    assert any("a quick look can stand before a likelier one" in one for one in lines)
    assert any("no stage that ran tells it from" in one for one in lines)
    apart = bring_up(start_at="rail-3v3", says=low | {"ohms +3V3 GND": [found(asking.YES)]})
    assert apart.state.suspects[0].part in ("U2", "J1")


def test_a_stage_that_does_not_wait_for_the_failed_one_runs_ahead_where_that_saves_looking() -> None:
    stages = tuple(replace(one, after=("hello",)) if one.id == "fpga" else one for one in TERN.stages)
    plan = replace(TERN, stages=stages)
    # the memory's own joint: the FPGA on the same lines answers, which clears them
    story = bring_up("open-pin:pin=U6.2", plan=plan)
    assert story.outcome is Outcome.OK
    order = [run.stage for run in story.state.history.ran]
    assert order[order.index("memory") + 1] == "fpga"
    assert any("run the stage fpga" in state.before for state in story.states)
    looked = sum(id.startswith(("open", "bridge", "part")) for id in story.hands.asked)
    alone = bring_up("open-pin:pin=U6.2")
    assert looked <= sum(id.startswith(("open", "bridge", "part")) for id in alone.hands.asked)
    # the common data line at the controller: both fail, and the second failure is looked into with both known
    both = bring_up("open-pin:pin=U4.16", plan=plan)
    assert both.outcome is Outcome.OK
    assert [stop.stage for stop in both.state.history.stops] == ["memory", "fpga"]


def test_a_test_that_is_left_out_is_not_asked_for_again() -> None:
    story = bring_up(
        start_at="rail-3v3",
        says={"rail-3v3": [found("low", 0.4, "V")], "ohms +3V3 GND": [Reply("skip")], "supply +3V3": [Reply("stop")]},
    )
    assert story.hands.asked.count("ohms +3V3 GND") == 1
    assert "supply +3V3" in story.hands.asked


def test_a_supply_that_was_looked_at_counts_as_measured() -> None:
    story = bring_up(start_at="rail-3v3", says={"rail-3v3": [found("low", 2.9, "V")], "supply +3V3": [Reply("stop")]})
    asked = story.hands.asked
    assert asked.index("supply VBUS") < asked.index("supply +3V3")
    ranked = [{one.key: one.probability for one in state.suspects} for state in story.states if state.suspects]
    first = next(one for one in ranked if "open joint J1.1" in one)
    # the plug's joints are cleared along with it: 5 V arrives
    assert ranked[-1]["open joint J1.1"] < 0.3 * first["open joint J1.1"]


# ------------------------------------------------------------------------------- taken back, left out, told otherwise

MEMORY = "open-pin:pin=U6.2"
FIRST = "bridge U4.14 U4.15"  # whom the plan suspects first when the memory stays silent


def test_a_stage_that_is_taken_back_takes_the_suspects_of_its_failure_with_it() -> None:
    undo = {key: [Reply("undo")] for key in _stop_everywhere()}
    story = bring_up(says={"rail-3v3": [found("low", 2.9, "V")]} | undo)
    assert any(state.suspects for state in story.states)
    again = next(state for state in story.states[len(IDS) :] if state.stages[4].state is State.AGAIN)
    assert (again.stages[4].id, again.stopped_at, again.suspects) == ("rail-3v3", "", ())
    assert story.outcome is Outcome.OK
    assert all(not state.suspects for state in story.states[story.states.index(again) :])


def test_a_look_that_is_taken_back_is_asked_for_again_at_once() -> None:
    story = bring_up(MEMORY, says={FIRST: [found(asking.FINE)], "bridge U4.15 U4.16": [Reply("undo")]})
    asked = story.hands.asked
    looks = [id for id in asked if id.startswith(("bridge", "open", "part"))]
    assert looks[:3] == [FIRST, "bridge U4.15 U4.16", FIRST]
    assert asked[asked.index("bridge U4.15 U4.16") + 1] == FIRST, "nothing else is done again"
    shown = [next(one.cleared for one in state.suspects if one.key == FIRST) for state in story.states if any(
        one.key == FIRST for one in state.suspects)]  # fmt: skip
    assert shown.index(True) < len(shown) - 1 - shown[::-1].index(False), "looked at, then not any more"
    assert story.outcome is Outcome.OK


def test_a_repair_that_is_taken_back_was_none() -> None:
    story = bring_up(MEMORY, says={FIRST: [found(asking.MENDED)], "look-chips": [found("good"), Reply("undo")]})
    assert any(done.key == FIRST for state in story.states for done in state.repairs)
    assert [done.key for done in story.state.repairs] == ["open joint U6.2"]
    assert story.hands.asked.count(FIRST) == 2, "it is a suspect again"
    assert story.outcome is Outcome.OK


def test_what_was_put_right_while_looking_is_taken_back_with_the_look() -> None:
    story = bring_up(says={"look-chips": [found(asking.MENDED)], asking.POWER_DOWN: [Reply("undo")]})
    assert story.state.repairs == ()
    assert story.runs("look-chips") == 2
    assert [told.id for told in story.state.history.told].count("look-chips") == 1


def test_where_nothing_was_answered_there_is_nothing_to_take_back() -> None:
    story = bring_up(says={"look-supply": [Reply("undo")]})
    assert story.outcome is Outcome.OK
    asked = [state.asked for state in story.states if state.asked is not None]
    assert [one.undoable for one in asked if one.id == "look-supply"] == [False]
    assert [one.undoable for one in asked if one.id == "look-chips"] == [True]


def test_a_stage_that_was_left_out_has_passed_nothing_and_clears_nobody() -> None:
    story = bring_up(says={"no-short-3v3": [Reply("skip")], "rail-3v3": [found("low", 2.9, "V")]} | _stop_everywhere())
    left = story.state.stage("no-short-3v3")
    assert left is not None
    assert (left.state, left.found) == (State.SKIPPED, "left out by the operator")
    assert story.state.passed_words == "3 of 22 stages passed, 1 left out"
    shorts = {"+3V3", "GND"}
    pins = {pin.ref: pin.net for pin in TERN.board.circuit.pins}
    assert any({pins[ref] for ref in one.pins} == shorts for one in story.state.suspects), "nobody measured that"


def test_power_that_was_not_switched_is_asked_for_again_before_the_next_that_needs_it() -> None:
    asked = bring_up(says={asking.POWER_DOWN: [Reply("skip")]}).hands.asked
    at = asked.index("no-short-3v3")
    assert asked[at - 1 : at + 3] == [asking.POWER_DOWN, "no-short-3v3", asking.POWER_DOWN, "no-short-1v2"]


def test_a_plan_with_a_stage_left_out_does_not_say_that_every_stage_passed() -> None:
    story = bring_up(says={"lamp": [Reply("skip")]})
    assert story.state.end_words == "the plan is done, with 1 stage left out"


def test_what_was_found_beside_the_suspect_is_the_repair_and_not_the_suspect() -> None:
    told = Reply("found", OTHER, text="solder between U6.1 and U6.2")
    story = bring_up("bridge-pins:a=U6.1,b=U6.2", says={"open joint U6.2": [told, found(asking.MENDED)]})
    first = story.state.repairs[0]
    assert (first.key, first.title, first.part) == ("bridge U6.1 U6.2", "U6.1 to U6.2: solder bridge", "U6")
    assert set(first.pins) == {"U6.1", "U6.2"}


def test_words_that_name_no_place_mean_the_part_that_was_looked_at() -> None:
    story = bring_up(MEMORY, says={FIRST: [Reply("found", OTHER, text="a hair of wire")]})
    first = story.state.repairs[0]
    assert (first.key, first.title, first.part) == (f"told at {FIRST}", "a hair of wire", "U4")


# ------------------------------------------------------------------------------------------- a program not proven


@pytest.mark.parametrize("start_at", ["hello", "memory", "verify"])
def test_a_chip_without_the_program_is_told_from_a_faulty_board(start_at: str) -> None:
    story = bring_up(start_at=start_at)
    question = next(check for check in story.hands.checks if check.id == asking.PROGRAM_MISSING)
    assert "may be missing" in question.title
    assert "erase and write" in question.why or "erase, write and verify" in question.why
    assert "not proven in this run" in question.why
    assert story.outcome is Outcome.OK
    assert (story.runs("write"), story.runs(start_at)) == (1, 2)
    assert story.states[-1].stage("look-supply").state is State.TRUSTED  # type: ignore[union-attr]  # the plan has it
    assert not any(" " in id for id in story.hands.asked), "no joint is suspected"


def test_whoever_knows_that_the_program_is_there_goes_on_to_the_suspects() -> None:
    story = bring_up(start_at="hello", says={asking.PROGRAM_MISSING: [found(asking.THERE)]} | _stop_everywhere())
    assert story.outcome is Outcome.NO_ANSWER
    assert story.state.suspects
    assert story.runs("write") == 0
    assert story.hands.asked.count(asking.PROGRAM_MISSING) == 1


def test_a_program_written_in_this_run_is_not_doubted() -> None:
    story = bring_up(start_at="erase")
    assert asking.PROGRAM_MISSING not in story.hands.asked


def test_the_record_names_what_this_run_did_not_prove() -> None:
    story = bring_up(start_at="rail-1v2")
    assert story.state.unproven_words == (
        "not proven in this run: look-supply, look-chips, no-short-3v3, no-short-1v2, rail-3v3"
    )
    assert bring_up().state.unproven_words == ""
