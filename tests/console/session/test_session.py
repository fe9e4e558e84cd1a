"""The session's events for every way an attempt can end. The link is a fake; real ports are tested in console/link."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

import protocols
from console.errors import Outcome, PortTrouble
from console.events import Chunk, Event, Mark, MarkKind
from console.session.session import Session
from protocols.an3155 import contact, host
from protocols.conversation import Conversation, Send, Tell, Want
from protocols.errors import NoReply
from protocols.family import Identity, SyncResult
from protocols.programmer import Programmer
from tests.fake_link import ANSWERS, FakeLink


def make(link: FakeLink, events: list[Event]) -> Session:
    return Session(link, protocols.load("an3155"), clock=link.clock, sinks=[events.append])


def begun(session: Session, stage: str) -> asyncio.Event:
    """Set when the stage has begun; in `sync` the 7F has left by then or leaves before the loop turns."""
    reached = asyncio.Event()

    def sink(event: Event) -> None:
        if isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN and event.fields["name"] == stage:
            reached.set()

    session.add_sink(sink)
    return reached


def marks(events: list[Event]) -> list[str]:
    return [
        " ".join([event.kind, *(str(event.fields[k]) for k in ("name", "outcome", "action") if k in event.fields)])
        for event in events
        if isinstance(event, Mark)
    ]


async def test_a_good_board_passes_all_stages(events: list[Event]) -> None:
    link = FakeLink(lambda data: ANSWERS.get(data, b"\x1f"))
    async with make(link, events) as session:
        assert await session.handshake(listen_s=0) is Outcome.OK
    stages = [word for word in marks(events) if word.startswith("stage")]
    assert stages == [
        "stage-begin listen",
        "stage-end listen ok",
        "stage-begin sync",
        "stage-end sync ok",
        "stage-begin identify",
        "stage-end identify ok",
    ]
    assert marks(events)[-1] == "end"
    assert b"".join(e.data for e in events if isinstance(e, Chunk) and e.direction == "out") == b"".join(link.written)
    assert link.closed


@pytest.mark.parametrize("known", [True, False, None])
async def test_the_settings_say_whether_the_board_is_simulated_where_that_is_known(
    events: list[Event], known: bool | None
) -> None:
    link = FakeLink()
    async with Session(
        link, protocols.load("an3155"), clock=link.clock, sinks=[events.append], simulated=known
    ) as session:
        await session.tune(9600, link.settings.frame)
    told = [event.fields for event in events if isinstance(event, Mark) and event.kind is MarkKind.SETTINGS]
    assert [fields.get("simulated") for fields in told] == [known, known]
    assert ("simulated" in told[0]) is (known is not None)


async def test_silence_ends_as_no_answer(events: list[Event]) -> None:
    async with make(FakeLink(), events) as session:
        assert await session.handshake(listen_s=0) is Outcome.NO_ANSWER
    assert "stage-end sync no-answer" in marks(events)


async def test_refused_get_ends_as_refused(events: list[Event]) -> None:
    link = FakeLink(lambda data: {b"\x7f": b"\x79"}.get(data, b"\x1f"))
    async with make(link, events) as session:
        assert await session.handshake(listen_s=0) is Outcome.REFUSED
    end = [e for e in events if isinstance(e, Mark) and e.kind is MarkKind.STAGE_END][-1]
    assert end.fields["hint"] == "nack"


@pytest.mark.parametrize("stage", ["listen", "sync"])
async def test_losing_the_link_in_any_stage_is_one_event(stage: str, events: list[Event]) -> None:
    link = FakeLink()
    async with make(link, events) as session:
        reached = begun(session, stage)
        running = asyncio.ensure_future(session.handshake(listen_s=30 if stage == "listen" else 0))
        await reached.wait()
        link.lose()
        assert await running is Outcome.PORT
        assert await session.handshake(listen_s=0) is Outcome.PORT  # and it stays lost
    assert sum(word.startswith("link-lost") for word in marks(events)) == 1


@pytest.mark.parametrize("stage", ["listen", "sync"])
async def test_cancel_in_any_stage_stops_and_leaves_a_record(stage: str, events: list[Event]) -> None:
    link = FakeLink()
    async with make(link, events) as session:
        reached = begun(session, stage)
        running = asyncio.ensure_future(session.handshake(listen_s=30 if stage == "listen" else 0))
        await reached.wait()
        session.cancel()
        assert await running is Outcome.STOPPED
    assert marks(events)[-3:] == [f"stage-end {stage} stopped", "stopped", "end"]


async def test_a_cancelled_task_closes_the_port(events: list[Event]) -> None:
    link = FakeLink()
    session = make(link, events)
    reached = begun(session, "sync")

    async def whole() -> None:
        async with session:
            await session.handshake(listen_s=0)

    task = asyncio.ensure_future(whole())
    await reached.wait()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert link.closed
    assert marks(events)[-2:] == ["stopped", "end"]


async def test_an_open_that_fails_is_recorded(events: list[Event]) -> None:
    link = FakeLink()
    link.refuse = PortTrouble("port-busy", "busy", help="close the other program")
    session = make(link, events)
    with pytest.raises(PortTrouble):
        await session.open()
    await session.close()
    assert [word.split()[0] for word in marks(events)] == ["settings", "error", "end"]


async def test_two_attempts_cannot_overlap(events: list[Event]) -> None:
    link = FakeLink()
    async with make(link, events) as session:
        reached = begun(session, "sync")
        running = asyncio.ensure_future(session.handshake(listen_s=0))
        await reached.wait()
        with pytest.raises(RuntimeError, match="busy"):
            await session.handshake()
        session.cancel()
        await running


async def test_a_swap_changes_the_configuration_of_the_next_attempt(events: list[Event]) -> None:
    async with make(FakeLink(), events) as session:
        await session.handshake(listen_s=0)
        session.operator("swap-done")
        await session.handshake(listen_s=0)
    wires = [e.fields["wires"] for e in events if isinstance(e, Mark) and e.kind is MarkKind.ATTEMPT]
    assert wires == ["as-built", "swapped"]


async def test_a_long_conversation_tells_how_far_it_is_and_notes_what_it_met(events: list[Event]) -> None:
    def counting() -> Conversation[int]:
        yield Tell("note", {"text": "begun"})
        for done in range(3):
            yield Send(b"\x00\xff", "get")
            yield Want(1, 1.0, "its acknowledge")
            yield Tell("progress", {"done": done, "total": 3})
        return 3

    async with make(FakeLink(lambda data: b"\x79"), events) as session:
        assert await session.converse("count", counting()) == 3
    told = [event.fields for event in events if isinstance(event, Mark) and event.kind is MarkKind.PROGRESS]
    assert [dict(fields) for fields in told] == [{"done": n, "total": 3} for n in range(3)]
    assert any(event.fields.get("text") == "begun" for event in events if isinstance(event, Mark))


async def test_hearing_is_a_stage_of_the_running_attempt(events: list[Event]) -> None:
    async with make(FakeLink(), events) as session:
        await session.hear("first words", 0)
    assert marks(events)[1:3] == ["stage-begin first words", "stage-end first words ok"]


async def test_another_sync_takes_the_place_of_the_familys(events: list[Event]) -> None:
    def quiet() -> Conversation[SyncResult]:
        yield Send(b"\x00\xff", "something else")
        yield Want(1, 1.0, "its acknowledge")
        return SyncResult()

    link = FakeLink(lambda data: ANSWERS.get(data, b"\x1f"))
    async with make(link, events) as session:
        assert await session.handshake(0, sync=quiet()) is Outcome.OK
        assert session.identity is not None
        assert session.identity.product_id == 0x410
    assert b"\x7f" not in link.written


async def test_after_a_conversation_that_was_cut_the_second_sync_is_one_that_completes_nothing(
    events: list[Event],
) -> None:
    # AN3155 Rev 20 s.3.7: to a one-page erase cut after its count, 7F 7F would be page 7F and its checksum
    family = protocols.load("an3155")
    assert family.programmer is not None

    def programmer(identity: Identity) -> Programmer:
        assert family.programmer is not None
        return replace(family.programmer(identity), sync=lambda: contact.sync(0.01, careful=True))

    link = FakeLink()
    patient = replace(family, sync=lambda: contact.sync(0.01), programmer=programmer)
    session = Session(link, patient, clock=link.clock, sinks=[events.append])
    async with session:
        assert await session.handshake(0) is Outcome.NO_ANSWER
        with pytest.raises(NoReply):
            await session.converse("erase", host.erase([0], 0.01))
        assert await session.handshake(0) is Outcome.NO_ANSWER
        session.operator("reset-done")
        assert await session.handshake(0) is Outcome.NO_ANSWER
    assert link.written == [b"\x7f", b"\x7f", b"\x43\xbc", b"\x7f", b"\xfc", b"\x7f", b"\x7f"]
