"""The fold takes any mark of any capture, and its arithmetic is that of the events' own times."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from console.events import Event, Mark, MarkKind
from console.programming.fold import ProgrammingFold
from console.snapshot import Fold
from console.summary import as_object, dumps

KINDS = [MarkKind.PLAN, MarkKind.PROGRESS, MarkKind.PROOF, MarkKind.STAGE_BEGIN, MarkKind.STAGE_END, MarkKind.ATTEMPT]
NAMES = ["task", "done", "total", "repeated", "complete", "proven", "name", "outcome", "expected_s", "write", "erase"]
VALUES = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20), st.just("\x1b[2J"))


@st.composite
def marks(draw: st.DrawFn) -> list[Event]:
    out: list[Event] = []
    for t_ns in sorted(draw(st.lists(st.integers(0, 10**12), max_size=12))):
        fields = draw(st.dictionaries(st.sampled_from(NAMES), VALUES, max_size=5))
        out.append(Mark(t_ns, draw(st.sampled_from(KINDS)), fields))
    return out


@given(marks())
def test_no_mark_of_a_foreign_capture_breaks_the_picture_or_reaches_a_terminal(events: list[Event]) -> None:
    fold = Fold()
    for event in events:
        fold.add(event)
    assert "\x1b" not in dumps(as_object(fold.snapshot()))
    state = fold.snapshot().programming
    if state is not None:
        assert "\x1b" not in f"{state.task}{state.proven}{state.stage}"


def test_rate_and_rest_follow_from_the_times_of_the_marks() -> None:
    fold = ProgrammingFold()
    second = 10**9
    fold.mark(Mark(0, MarkKind.PLAN, {"task": "program", "write": 4000, "verify": 4000}))
    fold.mark(Mark(second, MarkKind.STAGE_BEGIN, {"name": "write"}))
    fold.mark(Mark(3 * second, MarkKind.PROGRESS, {"done": 1000, "total": 4000, "repeated": 2}))
    state = fold.state
    assert state is not None
    assert (state.stage, state.rate, state.eta_s, state.repeated) == ("write", 500.0, 6.0, 2)
    assert not state.complete


def test_what_is_read_before_a_plan_is_shown_but_proves_nothing() -> None:
    fold = ProgrammingFold()
    fold.mark(Mark(0, MarkKind.STAGE_BEGIN, {"name": "read"}))
    fold.mark(Mark(1, MarkKind.PROGRESS, {"done": 1, "total": 2}))
    assert fold.state is not None
    assert (fold.state.planned, fold.state.stage, fold.state.done) == (False, "read", 1)
    fold.attempt()
    assert fold.state is None
