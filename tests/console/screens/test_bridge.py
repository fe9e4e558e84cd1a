"""Events reach the fold at once and a screen at most once a frame."""

from __future__ import annotations

import asyncio
from itertools import pairwise

from textual.message import Message

from console.events import Chunk, Event
from console.screens.bridge import FRAME_S, Bridge, SnapshotReady


class Pump:
    def __init__(self) -> None:
        self.got: list[SnapshotReady] = []
        self.first = asyncio.Event()
        self.times: list[float] = []

    def post_message(self, message: SnapshotReady) -> bool:
        self.times.append(asyncio.get_running_loop().time())
        self.got.append(message)
        self.first.set()
        return True


async def test_many_events_make_one_message(story: list[Event]) -> None:
    bridge, pump = Bridge(), Pump()
    bridge.target = pump  # type: ignore[assignment]
    for event in story:
        bridge.event(event)
    assert len(bridge.fold.trace) > len(story) / 2  # folded at once
    assert not pump.got
    await pump.first.wait()
    assert len(pump.got) == 1
    assert pump.got[0].snapshot.attempt == 2
    bridge.close()


async def test_two_messages_are_a_frame_apart() -> None:
    bridge, pump = Bridge(), Pump()
    bridge.target = pump  # type: ignore[assignment]
    for number in range(3):
        pump.first.clear()
        bridge.event(Chunk(number, "in", b"x"))
        await pump.first.wait()
    # the lower bound is the point: never more often than ten times a second (the clock of the loop may round by 1 ms)
    assert all(later - earlier >= FRAME_S - 0.001 for earlier, later in pairwise(pump.times))
    bridge.close()


async def test_a_closed_bridge_is_silent_but_still_folds() -> None:
    bridge, pump = Bridge(), Pump()
    bridge.target = pump  # type: ignore[assignment]
    bridge.event(Chunk(0, "in", b"x"))
    bridge.close()
    bridge.event(Chunk(1, "in", b"y"))
    bridge._post()
    assert not pump.got
    assert bridge.fold.trace.byte_count == 2
    bridge.close()


def test_a_later_picture_replaces_only_pictures() -> None:
    picture = SnapshotReady(Bridge().fold.snapshot())
    assert picture.can_replace(SnapshotReady(Bridge().fold.snapshot()))
    assert not picture.can_replace(Message())
