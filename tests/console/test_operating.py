"""The loop of proposals and answers, over a link that answers as a good board once something was repaired."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import protocols
from console.causes.rank import NextCheck
from console.errors import Outcome, UsageTrouble
from console.events import Event, Mark, MarkKind
from console.operating import Reply, can_undo, extras, question, understand, usage, walk
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from protocols.an3155.contact import sync
from tests.fake_link import ANSWERS, FakeLink


class Script:
    """Hands that answer from a table; `repairs` are steps that make the board good."""

    def __init__(self, table: dict[str, Reply], *repairs: str) -> None:
        self.table = table
        self.repairs = repairs
        self.board: dict[bytes, bytes] = {}
        self.asked: list[str] = []

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        self.asked.append(check.id)
        return self.table.get(check.id, Reply("done" if check.change else "skip"))

    async def act(self, check: NextCheck) -> None:
        if check.id in self.repairs:
            self.board.update(ANSWERS)

    async def prepare(self, test: str) -> None: ...

    async def restore(self, test: str) -> None: ...

    async def reset(self, words: str) -> bool:
        return True


async def played(hands: Script) -> tuple[Outcome, Fold, list[Event]]:
    fold, events = Fold(), []  # type: tuple[Fold, list[Event]]
    link = FakeLink(lambda data: hands.board.get(data, b""))
    # a board that stays silent shall not cost the tests half a second per attempt
    family = replace(protocols.load("an3155"), sync=lambda: sync(0.01))
    session = Session(link, family, clock=link.clock, sinks=[fold.add, events.append])
    async with session:
        outcome = await walk(session, fold, hands, lambda snapshot, attempted: None, listen_s=0)
    return outcome, fold, events


def actions(events: list[Event]) -> list[str]:
    return [
        str(event.fields["action"]) for event in events if isinstance(event, Mark) and event.kind is MarkKind.OPERATOR
    ]


async def test_from_silence_to_the_repair_that_works() -> None:
    hands = Script({"K08": Reply("found", "out-of-range", 0.0, "V"), "K18": Reply("found", "nothing")}, "R03")
    outcome, fold, events = await played(hands)
    assert outcome is Outcome.OK
    snapshot = fold.snapshot()
    assert snapshot.next_check is None
    assert snapshot.causes[0].id == "target-unpowered"  # what it was, read from what cured it
    assert "R03" in hands.asked
    assert actions(events)[-2:] == ["repair-done", "check"]


async def test_the_record_alone_gives_the_same_picture() -> None:
    _, fold, events = await played(Script({"K08": Reply("found", "out-of-range", 0.1, "V")}, "R03"))
    again = Fold()
    for event in events:
        again.add(event)
    assert again.snapshot() == fold.snapshot()
    rows = [row.text for row in again.trace.rows(0, len(again.trace))]
    assert any("proposed: K08" in row for row in rows)
    assert any("0.1 V, out-of-range" in row for row in rows)


async def test_a_cure_that_the_attempt_denies_is_not_believed() -> None:
    hands = Script({"K17": Reply("found", "lower-rate"), "K08": Reply("stop")})
    _, fold, events = await played(hands)
    if "K17" in hands.asked:
        told = [e.fields["outcome"] for e in events if isinstance(e, Mark) and e.fields.get("action") == "check"]
        assert told[-2:] == ["lower-rate", "silent"]
    assert fold.snapshot().outcome is Outcome.NO_ANSWER


async def test_the_loop_ends_although_everything_is_skipped_or_in_vain() -> None:
    hands = Script({})
    outcome, fold, _ = await played(hands)
    assert outcome is Outcome.NO_ANSWER
    assert fold.snapshot().next_check is None
    again = [step for step in hands.asked if hands.asked.count(step) > 1 and step != "K05"]
    assert not again


async def test_undo_brings_the_proposal_back() -> None:
    class Hesitant(Script):
        def __init__(self) -> None:
            super().__init__({})
            self.told = ""

        async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
            self.asked.append(check.id)
            if check.change:
                return Reply("done")
            if len(self.asked) > 20:
                return Reply("stop")
            if not self.told:
                self.told = check.id
                return Reply("found", check.answers[0][0])
            return Reply("stop" if check.id == self.told else "undo")

    hands = Hesitant()
    await played(hands)
    assert hands.asked.count(hands.told) == 2


@pytest.fixture
def reading() -> NextCheck:
    from console.causes.catalogue import catalogue

    check = catalogue().checks["K08"]
    answers = tuple((outcome, "") for outcome in check.outcomes)
    return NextCheck("K08", check.title, 1, None, "", None, answers=answers, scale=check.scale)


@pytest.mark.parametrize(
    ("text", "reply"),
    [
        ("3.3", ("found", "in-range", 3.3)),
        ("  3300 mV ", ("found", "in-range", 3.3)),
        ("a", ("found", "in-range", None)),
        ("out-of-range", ("found", "out-of-range", None)),
        ("skip", ("skip", "", None)),
        ("undo", ("undo", "", None)),
        ("stop", ("stop", "", None)),
        ("note lid wet", ("note", "", None)),
        ("have golden-board", ("have", "", None)),
    ],
)
def test_what_can_be_typed(reading: NextCheck, text: str, reply: tuple[str, str, float | None]) -> None:
    got = understand(text, reading)
    assert (got.kind, got.outcome, got.value) == (reply[0], reply[1], pytest.approx(reply[2]))


@pytest.mark.parametrize("text", ["", "done", "z", "have luck", "note", "1.2.3"])
def test_what_cannot_is_refused_with_what_can(reading: NextCheck, text: str) -> None:
    with pytest.raises(UsageTrouble) as caught:
        understand(text, reading)
    assert caught.value.help


def test_a_change_takes_done_and_no_outcome() -> None:
    swap = NextCheck("K05", "swap", 1, None, "", "swap-done", answers=(("answers", ""), ("silent", "")))
    assert understand("done", swap) == Reply("done")
    assert usage(swap).startswith("done")
    with pytest.raises(UsageTrouble):
        understand("answers", swap)


def test_what_may_be_at_hand_is_what_some_step_needs() -> None:
    assert {"golden-board", "spare-adapter", "infrared"} <= set(extras())


@given(st.text(max_size=80))
def test_any_line_is_a_reply_or_a_clear_refusal(text: str) -> None:
    check: Any = NextCheck("K02", "loop", 1, None, "", None, answers=(("echoes", ""), ("nothing", "")))
    try:
        reply = understand(text, check)
    except UsageTrouble:
        return
    assert reply.kind in ("found", "done", "skip", "undo", "stop", "note", "have")
    assert reply.text.isprintable()


def test_what_can_be_taken_back_is_the_plans_answer_or_the_diagnosis() -> None:
    fold = Fold()
    step = NextCheck("look-chips", "look", 1, None, "", None)
    assert not can_undo(step, fold.snapshot())
    for fields in ({"step": "plan"}, {"step": "ask", "id": "look-chips", "undoable": True}):
        fold.add(Mark(1, MarkKind.BRINGUP, fields))
    assert can_undo(step, fold.snapshot())
    other = replace(step, id="K05")  # asked while a silent board is diagnosed, where nothing was answered yet
    assert not can_undo(other, fold.snapshot())
    fold.add(Mark(2, MarkKind.OPERATOR, {"action": "check", "check": "K08", "outcome": "in-range"}))
    assert can_undo(other, fold.snapshot())


def test_a_step_of_a_plan_is_put_with_all_that_can_be_said() -> None:
    step = NextCheck("power-on", "switch it on", 0.2, None, "it needs power", "power-on-done")
    assert question(step, undoable=False) == [
        "do: switch it on (about 1 min)",
        "why: it needs power",
        "answer with one of:",
        "  done: it is so now",
        "  skip: leave it out, note TEXT: into the record, stop: leave the plan, ?: this again",
    ]
    assert "undo" in question(step, undoable=True)[-1]
    assert question(step, undoable=False, alone="nothing happens")[-1] == "  Enter alone: nothing happens"
