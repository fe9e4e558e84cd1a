"""What is kept of a session, and when a fix is beyond doubt."""

from __future__ import annotations

import unicodedata
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.errors import Outcome, UsageTrouble
from console.events import MarkKind
from console.notebook.entry import BY_TOOL, Entry, board_name, entry_of, words_of


def kept(told: Any, **more: Any) -> Entry:
    found = entry_of(told.snapshot, tool_version="0.1.0", **more)
    assert found is not None
    return found


def test_a_story_of_swapped_wires_is_kept_with_what_fixed_it(told: Any) -> None:
    told.tries(answers=False).does("swap-done").tries(answers=True)
    found = kept(told, board="tern-07", revision="C")
    assert (found.first_outcome, found.outcome) == (Outcome.NO_ANSWER, Outcome.OK)
    assert (found.stopped_at, found.failed_attempt) == ("sync", 1)
    assert found.product_id == 0x410  # AN2606 Rev 70 Table 226, the id that the answers of AN3155's examples carry
    assert found.suspect == "wires-uncrossed"
    assert [(fix.cause, fix.by) for fix in found.fixes] == [("wires-uncrossed", BY_TOOL)]
    first, second = found.attempts
    assert [seen.id for seen in first.observations] == ["silence"]
    assert "identified" in [seen.id for seen in second.observations]
    assert [(deed.attempt, deed.action) for deed in found.deeds] == [(1, "swap-done")]
    for word in ("tern-07", "0x410", "silence", "wires-uncrossed", "swap-done", "sync", "ttyusb0"):
        assert word.casefold() in words_of(found)


@pytest.mark.parametrize(
    "steps",
    [
        [False],
        [True],
        [False, True],  # nothing was done between: a loose contact, not a fix
        [False, "swap-done", "strap-done", True],  # two things at once
        [False, "swap-done", False],
        [True, "swap-done", True],
        [False, "swap-done", True, False],  # it came back
        [False, ("repair-done", "K23"), True],  # one repair that can remove three causes
        [False, "press-thumbs", True],  # nothing the catalogue knows
        [False, ("check", "K17"), True],  # a trial that can remove two causes
        [False, ("check", "K13"), "swap-done", True],  # a trial and a repair
        [False, ("check", "K13"), "undo", "swap-done", True],  # it was tried, and nobody knows what it did
        [False, ("check", "K13"), "undo", True],
        [False, {"frame": "8N1"}, True],  # no step of the catalogue: another frame
        [False, "reset-done", {"baud": 57600}, True],  # a reset and another rate
    ],
    ids=str,
)
def test_what_is_in_doubt_is_no_fix(told: Any, steps: list[Any]) -> None:
    walk(told, steps)
    assert kept(told).fixes == ()


@pytest.mark.parametrize(
    ("steps", "cause"),
    [
        ([False, "swap-done", True], "wires-uncrossed"),
        ([False, "strap-done", True], "boot-strap-wrong"),
        ([False, False, "reset-done", True], "not-reset-into-loader"),
        ([False, "swap-done", False, "strap-done", True], "boot-strap-wrong"),
        ([False, ("repair-done", "R02"), True, True], "no-common-ground"),
        ([False, ("check", "K02"), "swap-done", True], "wires-uncrossed"),  # a reading changes nothing
        ([False, "remark", "skip", "at-hand", "asked", "swap-done", True], "wires-uncrossed"),  # nor do words
        ([False, ("check", "K02"), "undo", "swap-done", True], "wires-uncrossed"),  # nor does one that is taken back
        ([False, ("check", "K13"), "skip", "undo", True], "not-reset-into-loader"),  # only the latest is taken back
        ([False, ("finding", "K18"), "swap-done", True], "wires-uncrossed"),  # nor does a test of the console's own
        ([False, {"baud": 9600}, {"baud": 115200}, "swap-done", True], "wires-uncrossed"),  # it went back before
        ([False, ("check", "K13"), True], "not-reset-into-loader"),  # a trial that helped
    ],
    ids=str,
)
def test_one_thing_between_failure_and_success_is_the_fix(told: Any, steps: list[Any], cause: str) -> None:
    walk(told, steps)
    assert [fix.cause for fix in kept(told).fixes] == [cause]


def walk(told: Any, steps: list[Any]) -> None:
    for step in steps:
        if isinstance(step, bool):
            told.tries(answers=step)
        elif isinstance(step, dict):
            told.opens(**step, retuned=True)
        elif isinstance(step, tuple) and step[0] == "finding":
            told.mark(MarkKind.FINDING, test="rates", message="nothing", check=step[1], outcome="nothing")
        elif isinstance(step, tuple):
            told.does(step[0], check=step[1], outcome="passes")
        else:
            told.does(step)


def test_where_nothing_was_tried_there_is_nothing_to_keep(told: Any) -> None:
    assert entry_of(told.snapshot, tool_version="") is None
    told.mark(MarkKind.ATTEMPT, n=1, wires="as-built")
    told.mark(MarkKind.STAGE_BEGIN, name="listen")
    told.mark(MarkKind.STAGE_END, name="listen", outcome="ok")
    assert entry_of(told.snapshot, tool_version="") is None


def test_a_test_of_the_line_is_no_attempt_on_the_board_but_its_finding_is_kept(told: Any) -> None:
    told.tries(answers=False)
    told.mark(MarkKind.ATTEMPT, n=2, wires="as-built")
    told.mark(MarkKind.STAGE_BEGIN, name="loop-back", test=True)
    told.mark(MarkKind.STAGE_END, name="loop-back", outcome="ok")
    told.mark(MarkKind.FINDING, test="loop-back", message="64 of 64", check="K04", outcome="all-back")
    found = kept(told)
    assert (found.first_outcome, found.outcome, found.failed_attempt) == (Outcome.NO_ANSWER, Outcome.NO_ANSWER, 1)
    assert [stage.name for stage in found.stages] == ["sync"]
    assert [(deed.action, deed.check, deed.outcome) for deed in found.deeds] == [("finding", "K04", "all-back")]


def test_a_session_of_tests_alone_says_nothing_about_the_board(told: Any) -> None:
    told.mark(MarkKind.ATTEMPT, n=1, wires="as-built")
    told.mark(MarkKind.STAGE_BEGIN, name="far-end", test=True)
    told.mark(MarkKind.STAGE_END, name="far-end", outcome="no-answer")
    assert entry_of(told.snapshot, tool_version="") is None


@pytest.mark.parametrize(("said", "simulated"), [([], False), ([False], False), ([True], True), ([True, False], True)])
def test_the_session_says_whether_its_board_was_simulated(told: Any, said: list[bool], simulated: bool) -> None:
    for one in said:
        told.opens(simulated=one)
    assert told.snapshot.simulated is (None if not said else simulated)
    assert kept(told.tries(answers=True)).simulated is simulated


def test_trouble_of_the_port_is_no_verdict_on_the_board(told: Any) -> None:
    told.mark(MarkKind.ATTEMPT, n=1, wires="as-built")
    told.mark(MarkKind.STAGE_BEGIN, name="sync")
    told.mark(MarkKind.STAGE_END, name="sync", outcome="port", message="gone")
    assert kept(told).first_outcome is Outcome.PORT
    told.tries(answers=True)
    found = kept(told)
    assert (found.first_outcome, found.outcome, found.failed_attempt) == (Outcome.OK, Outcome.OK, 0)


def test_an_attempt_that_was_cut_off_is_stopped(told: Any) -> None:
    told.mark(MarkKind.ATTEMPT, n=1, wires="as-built")
    told.mark(MarkKind.STAGE_BEGIN, name="sync")
    found = kept(told)
    assert (found.first_outcome, found.outcome) == (Outcome.STOPPED, Outcome.STOPPED)
    assert found.stopped_at == "sync"


def test_a_measured_reading_keeps_value_and_unit(told: Any) -> None:
    told.tries(answers=False).does("check", check="K08", outcome="in-range", value=3.02, unit="V")
    told.does("check", check="K09", outcome="high", value=float("inf"), unit="V")
    told.does("check", check="K10", outcome="same", value=10**400)
    one, two, three = kept(told).deeds
    assert (one.check, one.outcome, one.value, one.unit) == ("K08", "in-range", 3.02, "V")
    assert two.value is three.value is None


def test_what_was_said_is_kept_and_what_was_only_proposed_is_not(told: Any) -> None:
    told.tries(answers=False).does("asked", check="K05", minutes=0.5).does("remark", text="pin 17 looks dull")
    told.does("at-hand", item="golden-board")
    assert [(deed.action, deed.outcome) for deed in kept(told).deeds] == [
        ("remark", "pin 17 looks dull"),
        ("at-hand", "golden-board"),
    ]


def test_memory_stays_bounded_whatever_a_capture_claims(told: Any) -> None:
    for _ in range(60):
        told.tries(answers=False).does("reset-done")
    found = kept(told)
    assert found.attempts[0].n == 1
    assert found.attempts[-1].n == 60
    assert len(found.attempts) <= 51
    assert len(found.deeds) <= 50


@pytest.mark.parametrize("name", ["tern-07", "T7", "Fluß 3", "a" * 40])
def test_board_names(name: str) -> None:
    assert board_name(f" {name} ") == name


@given(st.one_of(st.text(max_size=60), st.sampled_from(["", "  ", "a" * 41, "\x1b[2J", "a\nb", "‮x"])))
def test_a_board_name_is_short_and_printable_or_refused(name: str) -> None:
    try:
        found = board_name(name)
    except UsageTrouble as error:
        found = error.message[:40]
    assert 0 < len(found) <= 40
    assert not {unicodedata.category(char)[0] for char in found} & {"C"}
