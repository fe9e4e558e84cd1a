"""Events reach their listeners in order, and late only while the line waits for us."""

from __future__ import annotations

import asyncio
import math

import pytest

from console.events import Chunk, Event
from console.session.emitter import WORTH_S, Emitter


def chunk(n: int) -> Chunk:
    return Chunk(n, "in", bytes((n,)))


async def test_without_a_hold_events_are_given_at_once() -> None:
    seen: list[Event] = []
    emitter = Emitter([seen.append])
    emitter.emit(chunk(1))
    assert seen == [chunk(1)]


async def test_held_events_wait_for_a_line_that_is_busy() -> None:
    seen: list[Event] = []
    emitter = Emitter([seen.append])
    emitter.hold()
    emitter.emit(chunk(1))
    emitter.release(0.0)  # the answer may be here at any moment
    emitter.hold()
    emitter.emit(chunk(2))
    assert seen == []
    emitter.release(WORTH_S)
    assert seen == [chunk(1), chunk(2)]


async def test_a_silent_line_does_not_keep_them_for_long() -> None:
    given = asyncio.Event()
    emitter = Emitter([lambda event: given.set()])
    emitter.hold()
    emitter.emit(chunk(1))
    emitter.release(0.0)
    assert not given.is_set()
    await asyncio.wait_for(given.wait(), 5)


async def test_what_comes_without_a_hold_does_not_overtake() -> None:
    seen: list[Event] = []
    emitter = Emitter([seen.append])
    emitter.hold()
    emitter.emit(chunk(1))
    emitter.release(0.0)
    emitter.emit(chunk(2))
    assert seen == [chunk(1), chunk(2)]


async def test_a_new_listener_hears_nothing_of_before_and_one_that_leaves_everything() -> None:
    first: list[Event] = []
    second: list[Event] = []
    emitter = Emitter([first.append])
    emitter.hold()
    emitter.emit(chunk(1))
    emitter.release(0.0)
    emitter.add(second.append)
    emitter.hold()
    emitter.emit(chunk(2))
    emitter.release(0.0)
    emitter.remove(first.append)
    assert first == [chunk(1), chunk(2)]
    assert second == [chunk(2)]


async def test_what_a_listener_emits_comes_after_it_for_all() -> None:
    seen: list[Event] = []
    emitter = Emitter()
    emitter.add(lambda event: emitter.emit(chunk(2)) if event == chunk(1) else None)
    emitter.add(seen.append)
    emitter.emit(chunk(1))
    assert seen == [chunk(1), chunk(2)]


async def test_a_listener_that_fails_does_not_stop_what_follows() -> None:
    seen: list[Event] = []

    def fails_once(event: Event) -> None:
        if event == chunk(1):
            raise OSError("no space left")
        seen.append(event)

    emitter = Emitter([fails_once])
    with pytest.raises(OSError, match="no space"):
        emitter.emit(chunk(1))
    emitter.hold()
    emitter.emit(chunk(2))
    emitter.release(math.inf)
    assert seen == [chunk(2)]
