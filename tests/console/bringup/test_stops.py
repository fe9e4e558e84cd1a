"""Stages that stop a plan without a joint being to blame: silence in the middle, memory, protection, other words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.boards.plan import Plan, faults_of
from console.boards.template import text_template
from console.bringup import asking
from console.bringup.told import as_object
from console.bringup.words import report_lines
from console.causes.catalogue import catalogue
from console.errors import InputTrouble, Outcome
from console.notebook.entry import entry_of
from console.operating import Reply
from console.snapshot import Fold, ended
from tests.console.bringup import staged_board
from tests.console.bringup.staged_board import TERN, Story, bring_up

EVERYWHERE = {fault.key: [Reply("stop")] for fault in faults_of(TERN)}
WORKSHOP = {name: [Reply("stop")] for name in (*catalogue().checks, *catalogue().repairs)}


def test_a_chip_that_falls_silent_is_tried_once_more_from_its_power_on() -> None:
    story = bring_up("power-fails:at=1,seed=7", says={"erase-again": [Reply("found", asking.RETRY)]})
    asked = story.hands.asked
    assert asked.count("erase-again") == 1
    at = asked.index("erase-again")
    assert asked[at + 1 : at + 4] == [asking.POWER_DOWN, asking.POWER_ON, asking.INTO_LOADER]
    assert (story.outcome, story.runs("erase"), story.runs("sync")) == (Outcome.OK, 2, 2)
    assert not any(" " in id for id in asked), "no joint is suspected"


def test_memory_that_stays_wrong_accuses_the_chip_and_names_the_bits() -> None:
    story = bring_up("stuck-bit:address=0x08000400,bit=3", says=EVERYWHERE)
    verify = story.state.stage("verify")
    assert verify is not None
    assert "every bit but 3: expected 00, got F7" in verify.off
    assert "as a worn cell does" in verify.off
    (suspect,) = story.state.suspects
    assert (suspect.key, suspect.part) == ("part U4", "U4")
    assert suspect.title == "U4: its memory does not take what is written"
    assert suspect.probability > 0.5
    assert story.outcome is Outcome.MISMATCH


def test_a_protected_chip_is_told_how_to_open_it_and_that_this_erases_it() -> None:
    story = bring_up("readout-protected", says={"erase-again": [Reply("skip")]})
    assert story.outcome is Outcome.REFUSED
    step = "`wakeline erase staged --all --lift-protection 0x410`, then this plan again at erase"
    assert story.snapshot.problem is not None
    assert step in story.snapshot.problem.help
    assert "erases everything in the chip for good" in story.snapshot.problem.help
    lines = report_lines(story.state)
    assert any(step in line for line in lines)
    assert "to go on later: the same command with --from erase" in lines
    told = next(one for one in as_object(story.state)["stages"] if one["id"] == "erase")
    assert step in told["help"]


def chattering() -> Plan:
    """The board's program says something else than the plan expects."""
    stages = []
    for stage in TERN.stages:
        if stage.id == "hello":
            assert stage.query is not None
            query = replace(stage.query, reply=text_template("float: {n:int}"), expected={})
            stage = replace(stage, query=query)
        stages.append(stage)
    return replace(TERN, stages=tuple(stages))


@pytest.fixture(scope="module")
def talks() -> Story:
    return bring_up(plan=chattering(), says={"hello-again": [Reply("skip")]} | EVERYWHERE)


def test_what_was_heard_in_place_of_an_answer_is_shown(talks: Story) -> None:
    hello = talks.state.stage("hello")
    assert hello is not None
    assert hello.outcome is Outcome.NO_ANSWER
    assert hello.found == "heard tern: logger, program 1"
    assert "in 1 line" in hello.off


def test_a_chip_that_talks_has_its_supplies(talks: Story) -> None:
    asked = next(check for check in talks.hands.checks if check.id == "hello-again")
    assert "is it the right program" in asked.title
    rails = {pin.ref for pin in TERN.board.circuit.pins if TERN.board.is_rail(pin.net)}
    suspects = talks.state.suspects
    assert suspects
    assert not any(one.key.startswith("supply") or (one.pins and set(one.pins) <= rails) for one in suspects)


def test_the_share_of_what_nobody_knows_is_told_with_the_suspects(talks: Story) -> None:
    shown = [line for line in report_lines(talks.state) if "none of the known" in line]
    assert len(shown) == 1
    assert f"{round(100 * talks.state.other)} %" in shown[0]


@pytest.mark.parametrize("where", [asking.POWER_DOWN, asking.POWER_ON])
def test_a_plan_that_is_left_between_two_stages_is_kept(where: str) -> None:
    story = bring_up(says={where: [Reply("stop")]})
    assert story.outcome is Outcome.STOPPED
    entry = entry_of(story.snapshot, tool_version="1", board="tern-7")
    assert entry is not None
    assert (entry.outcome, entry.stopped_at, entry.failed_attempt) == (Outcome.STOPPED, "", 0)
    left = "no-short-3v3" if where == asking.POWER_DOWN else "rail-3v3"
    assert f"to go on later: the same command with --from {left}" in report_lines(story.state)


def test_what_is_wrong_with_a_file_of_answers_is_no_result_of_the_board(monkeypatch: pytest.MonkeyPatch) -> None:
    true_reply = staged_board.Hands.reply

    async def reply(self: staged_board.Hands, check, snapshot):  # type: ignore[no-untyped-def]
        if check.id == "rail-3v3":
            raise InputTrouble("answers", "no answer for rail-3v3", help="add it")
        return await true_reply(self, check, snapshot)

    monkeypatch.setattr(staged_board.Hands, "reply", reply)
    story = bring_up()
    assert isinstance(story.error, InputTrouble)
    entry = entry_of(story.snapshot, tool_version="1", board="tern-7")
    assert entry is not None
    assert (entry.outcome, entry.failed_attempt) == (Outcome.STOPPED, 1)
    assert story.snapshot.outcome is Outcome.INPUT, "the command still ends with the exit code of a bad file"


def test_a_record_that_ends_in_the_middle_can_be_kept() -> None:
    events = bring_up().events
    cut = next(n for n, event in enumerate(events) if getattr(event, "fields", {}).get("stage") == "write"
               and getattr(event, "fields", {}).get("step") == "begin")  # fmt: skip
    fold = Fold()
    for event in events[: cut + 3]:
        fold.add(event)
    entry = entry_of(ended(fold.snapshot()), tool_version="1", board="tern-7")
    assert entry is not None
    assert (entry.outcome, entry.stopped_at) == (Outcome.STOPPED, "")
    assert [stage.name for stage in entry.stages][-1] == "erase"
