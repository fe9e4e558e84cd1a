"""Time as the console uses it: epoch nanoseconds from a monotonic source, and a manual clock for tests."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """A source of strictly non-decreasing epoch nanoseconds."""

    def now_ns(self) -> int:
        """Nanoseconds since the Unix epoch; differences are monotonic."""
        ...


class MonotonicClock:
    """The wall clock at construction, advanced by the monotonic clock: never steps when the system time is set."""

    def __init__(self) -> None:
        self._offset_ns = time.time_ns() - time.perf_counter_ns()

    def now_ns(self) -> int:
        """Nanoseconds since the Unix epoch."""
        return time.perf_counter_ns() + self._offset_ns


class ManualClock:
    """A clock that moves only when told to."""

    def __init__(self, start_ns: int = 1_700_000_000_000_000_000) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        """The time last set."""
        return self._now_ns

    def advance(self, seconds: float) -> None:
        """Move on by `seconds` (>= 0)."""
        if seconds < 0:
            raise ValueError("a clock does not go back")
        self._now_ns += round(seconds * 1e9)
