"""A session read for its report: what was tried, proposed, answered and repaired, in order and bounded."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from console.errors import Outcome
from console.events import Event, MarkKind
from console.report.excerpt import excerpt
from console.report.reading import CaptureInfo, SessionReader
from console.session.exchange import Trace
from tests.console.report.made import SHA, T0, attempt, check, chunk, mark, record


def test_the_story_says_what_was_tried_thought_proposed_and_done() -> None:
    found = record(
        [
            *attempt(0, 1),
            mark(1, MarkKind.OPERATOR, action="asked", check="K05", title="swap TX and RX", minutes=1.0),
            mark(61, MarkKind.OPERATOR, action="swap-done"),
            *attempt(61, 2, "ok", "swapped"),
        ]
    )
    leads = [point.lead for point in found.story]
    assert leads == ["0.000 s", "1.000 s", "1.000 s", "1 min 01 s", "1 min 01 s"]
    tried, thought, proposed, done, again = (point.text for point in found.story)
    assert (tried, again) == ("attempt 1, wires as built", "attempt 2, wires swapped")
    assert found.story[0].more == ("sync: ✗ no answer after 0.500 s; 1 byte sent, 0 received: nothing came",)
    # the cause that the silence made likeliest stood first before anybody swapped
    assert thought.startswith("most likely now: TX and RX are not crossed (")
    assert proposed == "proposed: K05 swap TX and RX (about 1.0 min)"
    assert done == "operator: TX and RX swapped"
    assert found.story[4].more[0].startswith("sync: ✓ done after 0.500 s; 1 byte sent, 1 received")
    assert (found.bytes_out, found.bytes_in) == (2, 1)


def test_readings_say_whether_they_stand() -> None:
    found = record(
        [
            *attempt(0, 1),
            check(1, "K08", "below", value=1.2, unit="V"),
            check(2, "K08", "in-range", value=3.29, unit="V"),
            check(3, "K02", "no"),
            mark(4, MarkKind.OPERATOR, action="skip", check="K01"),
            mark(5, MarkKind.OPERATOR, action="undo"),
            mark(6, MarkKind.OPERATOR, action="undo"),
            check(7, "K11", "open", value=float("inf"), unit="ohm"),
        ]
    )
    told = [(row.step, row.value, row.outcome, row.fate) for row in found.readings]
    # the first undo takes the skip back, the second the answer before it
    assert told == [
        ("K08", "1.2 V", "below", "done again later"),
        ("K08", "3.29 V", "in-range", "stands"),
        ("K02", "", "no", "taken back"),
        ("K11", "open", "open", "stands"),
    ]
    assert found.readings[0].title  # the catalogue knows the step though the mark does not name it


def test_the_first_attempt_is_judged_only_where_it_tells_of_the_board() -> None:
    assert record(attempt(0, 1, "ok")).first_outcome is Outcome.OK
    assert record([*attempt(0, 1, "refused"), *attempt(1, 2, "ok")]).first_outcome is Outcome.REFUSED
    assert record(attempt(0, 1, "port")).first_outcome is None
    assert record(attempt(0, 1)[:-1]).first_outcome is None  # the file ends while the stage runs
    listening = [mark(0, MarkKind.STAGE_BEGIN, name="listen"), mark(1, MarkKind.STAGE_END, name="listen", outcome="ok")]
    assert record(listening).first_outcome is None
    tests = [
        mark(0, MarkKind.ATTEMPT, n=1, wires="as-built"),
        mark(0, MarkKind.STAGE_BEGIN, name="loop-back", test=True),
        mark(1, MarkKind.STAGE_END, name="loop-back", outcome="no-answer"),
    ]
    assert record([*tests, *attempt(2, 2, "ok")]).first_outcome is Outcome.OK  # a test says nothing about the board
    assert record([]).first_outcome is None


def test_of_very_many_steps_the_first_and_the_last_are_kept() -> None:
    notes: list[Event] = [mark(n, MarkKind.OPERATOR, action="remark", text=f"note {n}") for n in range(500)]
    story = record(notes).story
    assert len(story) == 129
    assert story[0].text == "operator notes: note 0"
    assert story[64].text == "left out here: 372 steps"
    assert story[65].text == "operator notes: note 436"
    assert story[-1].text == "operator notes: note 499"


def test_the_excerpt_holds_first_and_last_exchange_and_what_failed() -> None:
    quiet = [chunk(2 + n / 100, "in" if n % 2 else "out", bytes([n])) for n in range(200)]
    found = record([*attempt(0, 1, "ok"), *quiet, *attempt(9, 2), chunk(10, "out", b"\x11"), chunk(11, "in", b"\x79")])
    rows = [row for run in found.excerpt.runs for row in run.rows]
    texts = [row.text for row in rows]
    assert (rows[0].data, rows[1].data) == (b"\x7f", b"\x79")
    assert "stage sync ends: no-answer: nothing came" in texts
    assert (rows[-1].t_ns - T0) / 1e9 == 11
    assert len(rows) < 60
    left = sum(run.left_out for run in found.excerpt.runs) + found.excerpt.after
    assert left + len(rows) == found.excerpt.total == found.snapshot.rows
    assert left > 100


@given(st.integers(0, 60), st.lists(st.tuples(st.integers(-5, 70), st.integers(0, 12)), max_size=6))
def test_every_wanted_row_is_shown_once_and_the_rest_counted(size: int, wanted: list[tuple[int, int]]) -> None:
    trace = Trace()
    for number in range(size):
        trace.remark(T0 + number, "mark", f"row {number}")
    found = excerpt(trace, [range(start, start + length) for start, length in wanted])
    shown = [int(row.text.split()[1]) for run in found.runs for row in run.rows]
    asked = {row for start, length in wanted for row in range(start, start + length)} & set(range(size))
    assert asked <= set(shown)
    assert all(one < two for one, two in pairwise(shown))
    assert sum(run.left_out for run in found.runs) + found.after + len(shown) == found.total == size
    gaps = [run.left_out for run in found.runs][1:]
    assert all(gap > 1 for gap in gaps)
    assert len(shown) <= 3 * len(asked)


@given(st.lists(st.sampled_from(list(MarkKind)), max_size=30), st.text(max_size=20))
def test_marks_in_any_order_are_taken(kinds: list[MarkKind], word: str) -> None:
    reader = SessionReader()
    fields = dict.fromkeys(("action", "check", "name", "outcome", "value", "unit", "n", "baud", "message"), word)
    for number, kind in enumerate(kinds):
        reader.add(mark(number, kind, **fields))
    found = reader.record(CaptureInfo("x", SHA))
    assert len(found.story) <= len(kinds) * 2
    assert found.excerpt.total == len(kinds)
