"""The fold of a plan takes any mark, whatever a foreign capture holds, and says only what is safe to show."""

from __future__ import annotations

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from console.bringup.fold import BringupFold, State
from console.bringup.told import as_object
from console.bringup.words import report_lines
from console.errors import Outcome
from console.events import Mark, MarkKind, Value
from console.session.wording import mark_words
from console.text import clean

STEPS = (
    "plan", "stage", "begin", "end", "trust", "again", "ask", "answer", "suspects", "suspect", "cleared", "repair",
    "undo", "done", "nonsense",
)  # fmt: skip
KEYS = (
    "stage", "stages", "title", "work", "after", "look", "hot", "found", "off", "outcome", "key", "probability",
    "minutes", "why", "pins", "answers", "unit", "other", "board", "serial", "cleared",
    "id", "reply", "value", "repair", "parts", "skipped", "undoable",
)  # fmt: skip
VALUES: st.SearchStrategy[Value] = st.one_of(
    st.sampled_from(["a", "b", "a b", "ok", "mismatch", "x: y | z", "\x1b[2J", "[red]"]),
    st.text(max_size=20), st.integers(), st.floats(), st.booleans(), st.none(),
)  # fmt: skip


def is_clean(text: str) -> bool:
    return clean(text, len(text)) == text


def fold(*steps: dict[str, Value]) -> BringupFold:
    out = BringupFold()
    for number, fields in enumerate(steps):
        out.mark(Mark(number * 1_000_000_000, MarkKind.BRINGUP, fields))
    return out


@settings(max_examples=200)
@given(st.lists(st.tuples(st.sampled_from(STEPS), st.dictionaries(st.sampled_from(KEYS), VALUES)), max_size=15))
def test_any_marks_give_a_state_that_can_be_shown(steps: list[tuple[str, dict[str, Value]]]) -> None:
    out = fold({"step": "plan", "board": "x"}, *({"step": step, **fields} for step, fields in steps))
    assert out.state is not None
    assert all(is_clean(line) for line in report_lines(out.state))
    json.dumps(as_object(out.state), allow_nan=False)
    assert out.state.settled() in set(Outcome)
    for step, fields in steps:
        assert is_clean(mark_words(Mark(0, MarkKind.BRINGUP, {"step": step, **fields})))


def test_nothing_counts_before_the_plan_begins() -> None:
    assert fold({"step": "begin", "stage": "a"}).state is None


def test_a_stage_from_waiting_to_passed_again_and_trusted() -> None:
    stages = [{"step": "stage", "stage": name, "work": "inspect", "title": name} for name in ("a", "b")]
    story = [
        {"step": "plan", "board": "x", "revision": "1"}, *stages, {"step": "trust", "stage": "a"},
        {"step": "begin", "stage": "b"}, {"step": "end", "stage": "b", "outcome": "mismatch", "off": "too low"},
    ]  # fmt: skip
    state = fold(*story).state
    assert state is not None
    assert [stage.state for stage in state.stages] == [State.TRUSTED, State.FAILED]
    assert (state.stopped_at, state.passed, state.settled()) == ("b", 0, Outcome.MISMATCH)
    more = [
        {"step": "suspects", "stage": "b"}, {"step": "suspect", "key": "open joint U1.2", "probability": 0.5},
        {"step": "repair", "key": "open joint U1.2", "title": "U1.2"}, {"step": "again", "stages": "a"},
        {"step": "begin", "stage": "b"}, {"step": "end", "stage": "b", "outcome": "ok", "found": "3.3 V"},
    ]  # fmt: skip
    state = fold(*story, *more).state
    assert state is not None
    assert [stage.state for stage in state.stages] == [State.AGAIN, State.PASSED]
    assert (state.stages[1].runs, state.stages[1].elapsed_s, state.stopped_at) == (2, 2.0, "")
    assert (state.repairs[0].stage, state.repairs[0].t_s) == ("b", 8.0)
    assert state.suspects == ()


def test_a_record_that_ends_in_the_middle_is_no_success() -> None:
    state = fold({"step": "plan", "board": "x"}, {"step": "stage", "stage": "a"}, {"step": "begin", "stage": "a"}).state
    assert state is not None
    assert (state.outcome, state.settled()) == (None, Outcome.STOPPED)
