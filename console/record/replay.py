"""Recorded events to a sink in recorded time: pacing, pause, step. No file format, no screen."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Awaitable, Callable, Iterable
from typing import Final

from console.clock import Clock
from console.events import Event

Wait = Callable[[asyncio.Event, float | None], Awaitable[None]]
_YIELD_EVERY: Final = 256
_YIELD_NS: Final = 10_000_000


class Pacer:
    """When the next recorded event is due, and whether it may go. Pure but for the `changed` signal.

    `speed` times recorded time; None or infinity = at once. `gap_limit_s` caps a pause between two events, in recorded
    seconds; None = as recorded.
    """

    def __init__(self, speed: float | None = 1.0, *, gap_limit_s: float | None = None) -> None:
        self.gap_limit_s = gap_limit_s
        self.changed = asyncio.Event()
        self._speed = _checked(speed)
        self._paused = False
        self._steps = 0
        self._last_ns: int | None = None
        self._gone_ns = 0

    @property
    def speed(self) -> float | None:
        """Times recorded time; None = at once."""
        return self._speed

    @property
    def paused(self) -> bool:
        """Whether events wait for `resume` or `step`."""
        return self._paused

    def pause(self) -> None:
        """Hold the next event back."""
        self._paused = True
        self.changed.set()

    def resume(self) -> None:
        """Go on from where it was held; steps not yet taken are forgotten."""
        self._paused, self._steps = False, 0
        self.changed.set()

    def step(self) -> None:
        """Let one event go at once; only while paused."""
        if self._paused:
            self._steps += 1
            self.changed.set()

    def set_speed(self, speed: float | None) -> None:
        """From now on; what has passed of the present gap counts at the old speed. Raises ValueError unless > 0."""
        self._speed = _checked(speed)
        self.changed.set()

    def elapse(self, ns: int, speed: float | None) -> None:
        """Tell that `ns` of real time have passed at `speed` while an event was waited for."""
        if speed is not None:
            self._gone_ns += round(ns * speed)

    def wait_s(self, t_ns: int) -> float | None:
        """Real seconds until the event recorded at `t_ns` may go: 0 = now, None = not before something changes."""
        if self._paused:
            return 0.0 if self._steps else None
        if self._speed is None or self._last_ns is None:
            return 0.0
        gap = t_ns - self._last_ns
        if self.gap_limit_s is not None:
            gap = min(gap, round(self.gap_limit_s * 1e9))
        return max(0.0, (gap - self._gone_ns) / 1e9 / self._speed)

    def sent(self, t_ns: int) -> None:
        """The event recorded at `t_ns` has gone. Lateness is carried over, so that errors do not add up."""
        gap = 0 if self._last_ns is None else t_ns - self._last_ns
        if self.gap_limit_s is not None:
            gap = min(gap, round(self.gap_limit_s * 1e9))
        stepped = self._paused and self._steps > 0
        self._steps -= stepped
        self._gone_ns = 0 if stepped or self._speed is None else max(0, self._gone_ns - max(0, gap))
        self._last_ns = t_ns if self._last_ns is None else max(t_ns, self._last_ns)


async def replay(
    events: Iterable[Event],
    sink: Callable[[Event], None],
    *,
    speed: float | None,
    clock: Clock,
    pacer: Pacer | None = None,
    wait: Wait | None = None,
) -> int:
    """Feed `events` to `sink`; returns how many. Cancelling it stops between two events.

    A given `pacer` keeps its own speed. `wait(changed, seconds)` returns when `changed` is set or the time is over.
    """
    pace = Pacer(speed) if pacer is None else pacer
    hold = _wait if wait is None else wait
    count = 0
    mark_ns = yielded_ns = clock.now_ns()
    for event in events:
        while (left := pace.wait_s(event.t_ns)) != 0.0:
            pace.changed.clear()
            mark_ns = clock.now_ns() if pace.paused else mark_ns
            was_paused = pace.paused
            speed_before = pace.speed
            await hold(pace.changed, left)
            now = clock.now_ns()
            if not was_paused:
                pace.elapse(now - mark_ns, speed_before)
            mark_ns = yielded_ns = now
        sink(event)
        pace.sent(event.t_ns)
        count += 1
        now = clock.now_ns()
        if pace.speed is None or pace.paused:
            mark_ns = now  # no time is owed for what went unpaced
        if count % _YIELD_EVERY == 0 or now - yielded_ns > _YIELD_NS:
            await asyncio.sleep(0)
            yielded_ns = clock.now_ns()
    return count


async def _wait(changed: asyncio.Event, seconds: float | None) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await changed.wait()


def _checked(speed: float | None) -> float | None:
    if speed is None or speed == math.inf:
        return None
    if not speed > 0:
        raise ValueError(f"a speed is greater than 0, not {speed}")
    return float(speed)
