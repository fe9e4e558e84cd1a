"""The notebook's file: what goes in comes out, searches, fixes and when they count."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.errors import InputTrouble, Outcome
from console.events import MarkKind
from console.notebook.entry import BY_TOOL, Entry, Fix, entry_of, folded, words_of
from console.notebook.history import Design, Known
from console.notebook.schema import migrate
from console.notebook.statistics import cause_counts
from console.notebook.store import Notebook
from tests.console.notebook.conftest import entry

Make = Callable[..., Entry]


def test_a_session_comes_out_as_it_went_in(told: Any, file: Path) -> None:
    told.tries(answers=False).does("check", check="K08", outcome="in-range", value=3.02, unit="V")
    told.does("swap-done").tries(answers=True)
    told.mark(MarkKind.CHIP, unique_id="3a0027001551383233373337")
    made = entry_of(
        told.snapshot, tool_version="0.1.0", board="tern-07", design="tern", revision="C", capture="a.pcapng"
    )
    assert made is not None
    with Notebook.open(file) as notebook:
        number = notebook.store(made)
    with Notebook.open_to_read(file) as notebook:
        found = notebook.session(number)
        assert notebook.boards() == ["tern-07"]
    assert found.stages == made.stages
    assert found.deeds == made.deeds
    assert found.settings == made.settings
    assert (found.design, found.unique_id, found.capture) == (
        Design("tern", "C"),
        "3a0027001551383233373337",
        "a.pcapng",
    )
    assert (found.row.product_id, found.known) == (0x410, Known(found.design, 0x410, found.unique_id))
    assert found.codes == {"silence"}
    shown = {one.attempt: one for one in found.shown}
    for attempt in made.attempts:
        assert dict(shown[attempt.n].observations) == {seen.id: seen.count for seen in attempt.observations}
        assert list(shown[attempt.n].causes) == [(cause.id, cause.probability) for cause in attempt.causes]
    assert [(one.fix.cause, one.fix.by, one.confirmed) for one in found.fixes] == [("wires-uncrossed", BY_TOOL, True)]


def test_a_board_keeps_what_is_known_best(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        silent = notebook.store(make("Tern-07", first=Outcome.NO_ANSWER))
        notebook.store(make("tern-07", day=1, revision="C", unique_id="AB"))
        notebook.store(make("tern-07", day=2, first=Outcome.NO_ANSWER))
        found = notebook.session(silent)
        assert notebook.boards() == ["Tern-07"]  # one board, however its name is typed
        rows = notebook.sessions()
    assert found.known == Known(Design("", "C"), 0x410, "AB")
    # what a silent session saw of the chip is nothing, whatever was learned later
    assert (found.design, found.unique_id, found.row.product_id) == (Design(), "", None)
    assert [row.product_id for row in rows] == [None, 0x410, None]


def test_one_chip_under_two_names_is_told(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        first = notebook.store(make("tern-07", unique_id="AB"))
        assert notebook.session(first).twins == ()
        notebook.store(make("tern-08", unique_id="AB"))
        notebook.store(make("tern-07", day=1, unique_id="AB"))  # the same board again
        notebook.store(make("tern-09", unique_id="CD"))
        notebook.store(make("tern-10", unique_id=""))
        bench = notebook.store(make("tern-11", unique_id="AB", simulated=True))  # all simulated chips have one id
        assert notebook.session(first).twins == ("tern-08",)
        assert notebook.session(bench).twins == ()
        assert notebook.twins("", "tern-07") == []


def test_sessions_come_latest_first_and_can_be_narrowed(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        for day, board in enumerate(["tern-01", "tern-02", "", "tern-01"]):
            notebook.store(make(board, day=day, first=Outcome.NO_ANSWER if day == 1 else Outcome.OK))
        assert [row.board for row in notebook.sessions()] == ["tern-01", "", "tern-02", "tern-01"]
        assert [row.id for row in notebook.sessions(board="TERN-01")] == [4, 1]
        assert [row.id for row in notebook.sessions(most=2)] == [4, 3]
        assert [row.id for row in notebook.sessions("NO-answer sync")] == [2]
        assert notebook.sessions("no such words") == []
        # the first began on 9 October 2025 (date -u -d @1760000000), the others one day after the other
        assert [row.id for row in notebook.sessions("2025-10-10")] == [2]
        assert [row.id for row in notebook.sessions("tern-01 2025-10")] == [4, 1]
        assert notebook.sessions("2025-11") == []
        assert [row.id for row in notebook.sessions("failed")] == [2]
        assert [row.id for row in notebook.sessions("passed tern-02")] == []


NAMES = st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "S"]), min_size=1, max_size=6)


@given(boards=st.lists(NAMES, min_size=1, max_size=5), search=st.one_of(NAMES, st.sampled_from(["%", "_", "'", "s s"])))
def test_a_search_finds_what_holds_every_word(boards: list[str], search: str) -> None:
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db)
    entries = [entry(board, day=day) for day, board in enumerate(boards)]
    with Notebook(Path("in memory"), db) as notebook:
        numbers = {notebook.store(one): one for one in entries}
        found = {row.id for row in notebook.sessions(search)}
    wanted = {n for n, one in numbers.items() if all(word in words_of(one) for word in folded(search).split())}
    assert found == wanted


def test_a_persons_fix_takes_the_place_of_the_tools_and_can_be_searched(file: Path, make: Make) -> None:
    story = make(first=Outcome.NO_ANSWER, last=Outcome.OK, fix=Fix("wires-uncrossed", by=BY_TOOL))
    with Notebook.open(file) as notebook:
        number = notebook.store(story)
        fix = Fix("board-rx-open", "U4", "17", "Pin lifted", photos=("pin.jpg", "pin.jpg", "after.jpg"))
        notebook.add_fix(number, fix, noted_ns=5)
        (found,) = notebook.session(number).fixes
        assert found.confirmed
        assert (found.fix.cause, found.fix.place) == ("board-rx-open", "U4 joint 17")
        assert found.fix.photos == ("after.jpg", "pin.jpg")
        assert [row.fix_place for row in notebook.sessions("lifted u4 after.jpg")] == ["U4 joint 17"]


BAD, GOOD = Outcome.NO_ANSWER, Outcome.OK


@pytest.mark.parametrize(
    ("sessions", "counts"),
    [
        ([(BAD, GOOD, 1)], True),  # failed and passed in one session
        ([(BAD, BAD, 1), (GOOD, GOOD, 0)], True),  # the next session passes at once
        ([(BAD, BAD, 1)], False),  # never tried again
        ([(BAD, BAD, 1), (BAD, BAD, 0), (GOOD, GOOD, 0)], False),  # it did not help: the next still fails
        ([(BAD, BAD, 1), (BAD, GOOD, 0)], False),
        ([(BAD, BAD, 2), (GOOD, GOOD, 0)], False),  # two things at once
        ([(GOOD, GOOD, 1)], False),  # nothing was wrong
        ([(BAD, BAD, 1), (Outcome.PORT, Outcome.PORT, 0), (GOOD, GOOD, 0)], True),  # an unplugged adapter says nothing
    ],
    ids=str,
)
@pytest.mark.parametrize("simulated", [False, True])
def test_only_a_confirmed_fix_on_a_real_board_counts(
    file: Path, make: Make, sessions: list[tuple[Outcome, Outcome, int]], counts: bool, simulated: bool
) -> None:
    with Notebook.open(file) as notebook:
        for day, (first, last, fixes) in enumerate(sessions):
            number = notebook.store(make(day=day, first=first, last=last, simulated=simulated))
            notebook.store(make("tern-99", day=day + 0.5))  # another board's success proves nothing
            for joint in range(fixes):
                notebook.add_fix(number, Fix("board-rx-open", "U4", str(joint)), noted_ns=0)
        assert cause_counts(notebook.confirmed_fixes()) == ({"board-rx-open": 1.0} if counts and not simulated else {})
        assert any(case.fix for case in notebook.cases()) == (counts and not simulated)


def test_a_fix_without_a_name_for_the_board_counts_only_within_its_session(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        one = notebook.store(make("", first=BAD, last=GOOD))
        other = notebook.store(make("", day=1, first=BAD))
        notebook.store(make("", day=2))  # may be any board
        for number, cause in ((one, "target-dead"), (other, "board-rx-open")):
            notebook.add_fix(number, Fix(cause), noted_ns=0)
        assert cause_counts(notebook.confirmed_fixes()) == {"target-dead": 1.0}


def test_boards_cases_and_times_leave_simulated_boards_out(file: Path, make: Make) -> None:
    from tests.console.notebook.conftest import stage

    with Notebook.open(file) as notebook:
        notebook.store(make("tern-01", first=BAD, last=BAD))
        stages = (stage("sync", attempt=1), stage("listen", attempt=2), stage("sync", attempt=2, elapsed_s=0.5))
        notebook.store(make("tern-01", day=1, first=BAD, last=GOOD, stages=stages))
        notebook.store(make("tern-02", first=GOOD))
        notebook.store(make("tern-03", first=Outcome.STOPPED))
        notebook.store(make("demo", first=BAD, simulated=True))
        runs = {run.board: (run.first, run.last) for run in notebook.board_runs()}
        assert runs == {"tern-01": (BAD, GOOD), "tern-02": (GOOD, GOOD)}
        assert [case.session for case in notebook.cases() if case.board == "demo"] == []
        times = {(one.board, one.stage): (one.baud, one.elapsed_s) for one in notebook.stage_times()}
    assert times == {("tern-01", "sync"): (115200, 0.5), ("tern-02", "sync"): (115200, 0.03)}


def test_a_number_that_is_no_session_is_refused(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        for ask in (notebook.session, lambda n: notebook.add_fix(n, Fix("target-dead"), 0)):
            with pytest.raises(InputTrouble) as error:
                ask(7)
            assert error.value.code == "no-session"
        assert notebook.last_failed("tern-07") is None
        number = notebook.store(make(first=BAD))
        notebook.store(make(day=1))
        assert notebook.last_failed("TERN-07") == number


def test_text_from_a_strange_notebook_is_made_safe(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        number = notebook.store(make(first=BAD))
        notebook.add_fix(number, Fix("target-dead", "U4", "1", "note", photos=("a.jpg",)), 0)
    hostile = "\x1b[2J[/red]\u202e"
    db = sqlite3.connect(file)
    with db:
        for table, column in (
            *(("board", "name"), ("board", "revision"), ("board", "unique_id"), ("session", "port")),
            *(("session", "stopped_at"), ("session", "suspect"), ("session", "capture"), ("session", "tool_version")),
            *(("stage", "name"), ("stage", "message"), ("observation", "code"), ("cause_shown", "cause")),
            *(("fix", "cause"), ("fix", "part"), ("fix", "joint"), ("fix", "note"), ("photo", "file")),
        ):
            db.execute(f"UPDATE {table} SET {column} = ?", (hostile,))
        db.execute("UPDATE session SET settings = ?", ('{"\\u001b[2J": "\\u001b[2J"}',))
    db.close()
    with Notebook.open_to_read(file) as notebook:
        told = repr([notebook.sessions(), notebook.session(number), notebook.cases(), notebook.board_runs()])
    assert "\\x1b" in told
    assert "\x1b" not in told
    assert "\u202e" not in told


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE session SET outcome = 'unheard'",
        "UPDATE session SET settings = 'no json'",
        "UPDATE session SET settings = '[1]'",
        "UPDATE session SET started_ns = 'yesterday'",
        "UPDATE session SET started_ns = 1e300",
        "UPDATE stage SET elapsed_s = x'ff'",
        "UPDATE cause_shown SET probability = 'much'",
    ],
)
def test_values_that_no_wakeline_wrote_are_told_as_damage(file: Path, make: Make, change: str) -> None:
    with Notebook.open(file) as notebook:
        number = notebook.store(make(first=BAD))
    db = sqlite3.connect(file)
    with db:
        db.execute(change)
    db.close()
    with Notebook.open_to_read(file) as notebook, pytest.raises(InputTrouble) as error:
        notebook.session(number)
    assert error.value.code == "notebook-damaged"
    assert str(file) in error.value.where
