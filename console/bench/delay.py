"""How long the system let this process wait for a processor, where the system tells."""

from __future__ import annotations

import contextlib
import os
import sys
from typing import Final

# Linux, Documentation/scheduler/sched-stats.rst: time on the processor, time waiting for one (both ns), turns
_FILE: Final = "/proc/self/schedstat"


class RunDelay:
    """Seconds this process was ready to run and did not, since `mark`; 0.0 where the system does not tell."""

    def __init__(self) -> None:
        self._file: int | None = None
        self._marked_ns = 0
        if sys.platform == "linux":
            with contextlib.suppress(OSError):
                self._file = os.open(_FILE, os.O_RDONLY | os.O_CLOEXEC)

    def mark(self) -> None:
        """Count from now on."""
        self._marked_ns = self._now_ns()

    def since_s(self) -> float:
        """Seconds waited since the mark."""
        return max(0, self._now_ns() - self._marked_ns) / 1e9

    def close(self) -> None:
        """Nothing is told any more; may be called twice."""
        if self._file is not None:
            os.close(self._file)
        self._file = None

    def _now_ns(self) -> int:
        if self._file is None:
            return 0
        try:
            return int(os.pread(self._file, 128, 0).split()[1])
        except (OSError, ValueError, IndexError):  # built without it, or another format
            return 0
