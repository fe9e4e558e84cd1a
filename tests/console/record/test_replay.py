"""Pacing on a manual clock: the injected wait moves the clock, nothing sleeps. Expected times are plain arithmetic."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import pytest

from console.clock import ManualClock
from console.events import Chunk, Event
from console.record.replay import Pacer, replay

EVENTS: list[Event] = [Chunk(s * 1_000_000_000, "in", bytes([s])) for s in (0, 1, 3, 103)]


async def run(
    pacer: Pacer, at_wait: Callable[[int, float | None], float | None] = lambda _, left: left
) -> list[tuple[float, bytes]]:
    """Replay; `at_wait(number, left)` acts at each wait and says how many seconds pass in it."""
    clock, waits, got = ManualClock(0), 0, []

    async def wait(changed: asyncio.Event, left: float | None) -> None:
        nonlocal waits
        clock.advance(at_wait(waits, left) or 0)
        waits += 1

    def sink(event: Event) -> None:
        assert isinstance(event, Chunk)
        got.append((round(clock.now_ns() / 1e9, 6), event.data))

    await replay(EVENTS, sink, speed=None, clock=clock, pacer=pacer, wait=wait)
    return got


@pytest.mark.parametrize(
    ("pacer", "expected"),
    [
        (Pacer(1.0), [0, 1, 3, 103]),
        (Pacer(2.0), [0, 0.5, 1.5, 51.5]),
        (Pacer(None), [0, 0, 0, 0]),
        (Pacer(float("inf")), [0, 0, 0, 0]),
        (Pacer(1.0, gap_limit_s=5), [0, 1, 3, 8]),
    ],
)
async def test_recorded_time_times_speed(pacer: Pacer, expected: list[float]) -> None:
    assert [at for at, _ in await run(pacer)] == expected


async def test_speed_set_during_a_gap_counts_from_then_on() -> None:
    pacer = Pacer(1.0)

    def at_wait(number: int, left: float | None) -> float | None:
        if number == 2:  # in the gap of 100 s: 50 s at speed 1, the rest at speed 10
            pacer.set_speed(10)
            return 50
        return left

    assert [at for at, _ in await run(pacer, at_wait)] == [0, 1, 3, 58]


async def test_time_in_a_pause_does_not_count_and_a_step_sends_one() -> None:
    pacer = Pacer(1.0)

    def at_wait(number: int, left: float | None) -> float | None:
        match number:
            case 0:
                pacer.pause()
                return 0.25
            case 1:
                assert left is None
                pacer.step()
                return 7
            case 2:
                assert left is None
                pacer.resume()
                return 11
        return left

    assert [at for at, _ in await run(pacer, at_wait)] == [0, 7.25, 20.25, 120.25]


async def test_being_late_does_not_add_up() -> None:
    waited = await run(Pacer(1.0), lambda number, left: (left or 0) + (0.5 if number < 2 else 0))
    assert [at for at, _ in waited] == [0, 1.5, 3.5, 103]


async def test_the_real_wait_can_be_cancelled_and_woken() -> None:
    pacer, got = Pacer(1.0), []
    first = asyncio.Event()

    def sink(event: Event) -> None:
        got.append(event)
        first.set()

    pacer.pause()
    pacer.step()
    task = asyncio.create_task(replay(EVENTS, sink, speed=1.0, clock=ManualClock(), pacer=pacer))
    await first.wait()
    first.clear()
    pacer.step()
    await first.wait()
    assert got == EVENTS[:2]
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_at_once_still_lets_the_loop_run() -> None:
    seen: list[int] = []
    many: list[Event] = [Chunk(0, "in", b"")] * 2000
    got: list[Event] = []
    asyncio.get_running_loop().call_soon(lambda: seen.append(len(got)))
    assert await replay(many, got.append, speed=None, clock=ManualClock()) == 2000
    assert seen
    assert seen[0] < 2000


def test_a_speed_is_positive() -> None:
    for wrong in (0, -1, float("nan")):
        with pytest.raises(ValueError):
            Pacer(wrong)
