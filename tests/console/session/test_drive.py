"""The driver of conversations: exact counts, deadlines on exchanges, nothing left behind."""

from __future__ import annotations

import asyncio
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.session.drive import Drive, Pace
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.errors import NoReply

FAST = Pace(char_s=0.0, latency_s=0.0)


def asks(*wants: Want) -> Conversation[list[bytes]]:
    got = []
    for want in wants:
        yield Send(b"?", "question")
        got.append((yield want))
    return got


def drive_of(conversation: Conversation[list[bytes]], sent: list[bytes], pace: Pace = FAST) -> Drive[list[bytes]]:
    return Drive(
        conversation,
        write=sent.append,
        pace=pace,
        loop=asyncio.get_running_loop(),
        stray=lambda data, why: sent.append(b"stray " + data),
    )


@given(data=st.binary(min_size=6, max_size=6), cut=st.integers(0, 6))
def test_bytes_in_any_pieces_answer_wants_exactly(data: bytes, cut: int) -> None:
    async def scenario() -> list[bytes]:
        sent: list[bytes] = []
        drive = drive_of(asks(Want(2, 10, "two"), Want(4, 10, "four")), sent)
        drive.start()
        drive.feed(data[:cut])
        drive.feed(data[cut:])
        return await drive.result

    assert asyncio.run(scenario()) == [data[:2], data[2:]]


async def test_answers_inside_the_callback_without_a_task_switch() -> None:
    sent: list[bytes] = []
    drive = drive_of(asks(Want(1, 10, "a"), Want(1, 10, "b")), sent)
    drive.start()
    drive.feed(b"x")
    assert sent == [b"?", b"?"]  # the second question left before feed returned
    drive.feed(b"y")
    assert await drive.result == [b"x", b"y"]


async def test_silence_raises_no_reply_with_what_came() -> None:
    drive = drive_of(asks(Want(3, 0.001, "three bytes")), [])
    drive.start()
    drive.feed(b"ab")
    with pytest.raises(NoReply) as caught:
        await drive.result
    assert caught.value.got == b"ab"
    assert caught.value.wanted == "three bytes"


async def test_optional_want_ends_with_what_came() -> None:
    drive = drive_of(asks(Want(2, 0.001, "maybe", optional=True)), [])
    drive.start()
    drive.feed(b"a")
    assert await drive.result == [b"a"]


async def test_deadline_allows_for_the_line_time_of_question_and_answer() -> None:
    # 8E1 is 11 bit times a character; at 1100 baud a character takes 10 ms (uart arithmetic, definition of the frame)
    loop = asyncio.get_running_loop()
    drive = drive_of(asks(Want(3, 0.0, "three", optional=True)), [], Pace(char_s=0.01, latency_s=0.0))
    begun = loop.time()
    drive.start()
    await drive.result
    assert loop.time() - begun >= 0.039  # one sent, three wanted: a lower bound cannot fail on a busy machine


async def test_stray_bytes_are_told_and_late_bytes_do_not_answer() -> None:
    def conversation() -> Conversation[list[bytes]]:
        yield Stray((yield Want(1, 10, "first")), "belongs to nothing")
        return []

    sent: list[bytes] = []
    drive = drive_of(conversation(), sent)
    drive.start()
    drive.feed(b"\x00late")
    assert await drive.result == []
    drive.feed(b"later")
    assert sent == [b"stray \x00"]


async def test_failing_from_outside_closes_the_conversation() -> None:
    closed = asyncio.Event()

    def conversation() -> Conversation[list[bytes]]:
        try:
            yield Want(1, 10, "never")
        finally:
            closed.set()
        return []

    drive = drive_of(conversation(), [])
    drive.start()
    drive.fail(RuntimeError("link gone"))
    assert closed.is_set()
    with pytest.raises(RuntimeError, match="link gone"):
        await drive.result


async def test_the_line_is_free_while_what_is_wanted_cannot_be_here() -> None:
    drive = drive_of(asks(Want(10, 10, "ten")), [], Pace(char_s=1.0, latency_s=0.05))
    drive.start()
    assert drive.free_s() == pytest.approx(11.0, abs=0.5)  # the question and ten characters, a second each
    drive.feed(b"1234")
    assert drive.free_s() == pytest.approx(7.0, abs=0.5)
    drive.feed(b"567890")
    assert drive.free_s() == math.inf
    await drive.result
