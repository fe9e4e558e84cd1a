"""A whole board's plan in the notebook: carried out on staged boards in this process, kept, told, counted."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.bench.chips import UNIQUE_ID
from console.bringup.fold import Repaired
from console.errors import Outcome
from console.events import Mark, MarkKind
from console.notebook.entry import Entry, entry_of, latest_failure, words_of
from console.notebook.history import Design
from console.notebook.keeper import Keeper
from console.notebook.plan_story import place_of
from console.notebook.statistics import similar
from console.notebook.store import Notebook
from console.notebook.words import detail_lines
from console.operating import Reply
from console.shares import pareto
from console.snapshot import Fold
from tests.console.bringup.staged_board import Story, bring_up

OPEN = "open-pin:pin=U6.2"


@pytest.fixture(scope="module")
def mended() -> Story:
    return bring_up(OPEN)


def kept(story: Story) -> Entry:
    entry = entry_of(story.snapshot, tool_version="0", board="tern-31", revision="B")
    assert entry is not None
    return entry


def test_one_open_joint_mended_is_the_fix(mended: Story) -> None:
    entry = kept(mended)
    assert (entry.first_outcome, entry.outcome, entry.stopped_at) == (Outcome.MISMATCH, Outcome.OK, "memory")
    assert [(fix.part, fix.joint, fix.cause) for fix in entry.fixes] == [("U6", "2", "")]
    assert entry.codes == {"mismatch", "all-ones"}  # the data line floats, the chip's own input pulls it up
    assert entry.suspect == mended.state.history.stops[0].suspects[0].key
    assert {stage.name for stage in entry.stages} == {stage.id for stage in mended.state.stages}
    assert [stage.attempt for stage in entry.stages if stage.name == "memory"] == [1, 2]
    readings = [deed for deed in entry.deeds if deed.check == "rail-3v3"]
    assert {(deed.value, deed.unit) for deed in readings} == {(3.3, "V")}
    assert [deed.attempt for deed in entry.deeds if deed.action == "mended"] == [1]
    assert sum(stage.bytes_out for stage in entry.stages) > 3072  # the image went over the wire in one of them


def test_a_good_board_passed_at_once_and_needs_no_fix() -> None:
    entry = kept(bring_up())
    assert (entry.first_outcome, entry.outcome, entry.fixes, entry.stopped_at) == (Outcome.OK, Outcome.OK, (), "")


def test_each_of_two_repairs_is_proved_by_the_next_run_of_the_stage_that_had_failed(file: Path) -> None:
    story = bring_up(OPEN, "dead-part:part=Y1")
    entry = kept(story)
    assert (entry.first_outcome, entry.outcome) == (Outcome.MISMATCH, Outcome.OK)
    assert [deed.check.split()[-1] for deed in entry.deeds if deed.action == "mended"] == ["U6.2", "Y1"]
    assert [(fix.part, fix.joint) for fix in entry.fixes] == [("U6", "2"), ("Y1", "")]
    assert [fix.note.partition("; ")[2] for fix in entry.fixes] == ["after memory had failed", "after fpga had failed"]
    with Notebook.open(file) as book:
        number = book.store(entry)
        assert [(one.fix.part, one.confirmed) for one in book.session(number).fixes] == [("U6", True), ("Y1", True)]
        assert [case.fix.part for case in book.cases() if case.fix] == ["U6"], "the case is that of the first failure"


def test_two_repairs_before_one_run_are_one_of_these() -> None:
    entry = kept(bring_up(OPEN, says={"look-chips": [Reply("found", "good"), Reply("found", "mended")]}))
    assert [(fix.part, fix.joint) for fix in entry.fixes] == [("", "")]
    assert entry.fixes[0].note == (
        "one of these: U6.2: open joint, put right while looking at U1, U4, U5, U6, U7; after memory had failed"
    )


def test_a_repair_that_did_not_help_is_no_fix_and_the_next_one_is() -> None:
    story = bring_up(OPEN, says={"bridge U4.14 U4.15": [Reply("found", "mended")]})
    assert [one.key for one in story.state.repairs] == ["bridge U4.14 U4.15", "open joint U6.2"]
    assert [(fix.part, fix.joint) for fix in kept(story).fixes] == [("U6", "2")]


def test_a_plan_that_was_left_passed_nothing() -> None:
    entry = kept(bring_up(says={"rail-3v3": [Reply("stop")]}))
    assert (entry.first_outcome, entry.outcome, entry.fixes) == (Outcome.STOPPED, Outcome.STOPPED, ())


def test_a_reading_out_of_limits_is_told_by_which_side_it_is_on() -> None:
    entry = kept(
        bring_up(says={"rail-3v3": [Reply("found", "low", 2.9, "V")], "power-off": [Reply("done"), Reply("stop")]})
    )
    assert (entry.stopped_at, entry.codes) == ("rail-3v3", {"mismatch", "low"})


def test_what_the_notebook_tells_of_it(mended: Story, file: Path) -> None:
    with Notebook.open(file) as book:
        lines = detail_lines(book.session(book.store(kept(mended))))
    text = "\n".join(lines)
    for words in ("passed after a fix", "attempt 2:", "at: U6 joint 2", "you: put right: U6.2: open joint",
                  "you: stage rail-3v3: good 3.3 V", "seen: all-ones, mismatch", "memory had failed"):  # fmt: skip
        assert words in text, words


def test_the_chip_and_the_design_are_kept(mended: Story) -> None:
    found = kept(mended)
    assert (found.design, found.revision) == ("Tern", "B")
    assert found.unique_id == UNIQUE_ID.hex()
    assert found.unique_id in words_of(found)


def test_similar_boards_and_the_pareto_of_parts(mended: Story, file: Path) -> None:
    y1 = bring_up("dead-part:part=Y1")
    for number, story in enumerate([mended, mended, mended, y1]):
        done = Keeper(file, board=f"tern-3{number}").keep(story.snapshot)
        assert done is not None
        assert done.trouble is None
    stuck = next(fold for fold in _stops(mended))
    failure = latest_failure(stuck.snapshot())
    assert failure == ("memory", frozenset({"mismatch", "all-ones"}))
    with Notebook.open_to_read(file) as book:
        like = similar(*failure, book.cases(), design=Design("Tern", "B"))
        bars = pareto(one.fix.part for one in book.confirmed_fixes() if one.fix.part)
    assert (like.fixed_at, like.fixed) == ((("U6", 3),), 3)
    assert [(bar.name, bar.rate.hits) for bar in bars] == [("U6", 3), ("Y1", 1)]
    told = Keeper(file, board="tern-39").experience(stuck.snapshot())
    assert told == ["3 of 3 boards that stopped at memory with the same reading were fixed at U6"]


def _stops(story: Story) -> list[Fold]:
    """The fold as it was when the first stage had failed."""
    fold = Fold()
    for event in story.events:
        fold.add(event)
        if isinstance(event, Mark) and event.kind is MarkKind.BRINGUP and event.fields.get("outcome") == "mismatch":
            return [fold]
    raise AssertionError("no stage failed")


@pytest.mark.parametrize(
    ("part", "pins", "joint"),
    [
        ("U6", ("U6.2",), "2"),
        ("U5", ("U5.14", "U5.15"), "14 to 15"),
        ("U4", ("R9.1", "U4.16"), "16 to R9.1"),
        ("Y1", (), ""),
    ],
)
def test_the_place_of_a_repair(part: str, pins: tuple[str, ...], joint: str) -> None:
    assert place_of(Repaired("key", "title", "memory", 1.0, part, pins)) == (part, joint)
