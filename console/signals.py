"""Signals that ask a command to end: Ctrl-C, an end that the system wishes, a terminal window that was closed.

What was ignored when the command began stays ignored: `nohup` and a script's background jobs rely on it (POSIX.1-2017,
nohup and 2.11 Signals and Error Handling of the shell).
"""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager

_HANG_UP = "SIGHUP"


def _asked() -> list[signal.Signals]:
    names = ("SIGINT", "SIGTERM", _HANG_UP)  # the last is not known to every system
    numbers = [signal.Signals[name] for name in names if name in signal.Signals.__members__]
    return [number for number in numbers if signal.getsignal(number) is not signal.SIG_IGN]


@contextmanager
def heeded(pressed: Callable[[], None]) -> Iterator[None]:
    """While the block runs in the loop, each of them calls `pressed` and does nothing else.

    A closed window counts once, and not after another signal: the shell and the system both tell of it, and a logout
    adds it to the first request, so that a second one means no more haste.
    """
    loop = asyncio.get_running_loop()
    asked = False

    def press(number: signal.Signals) -> None:
        nonlocal asked
        if not (asked and number.name == _HANG_UP):
            asked = True
            pressed()

    taken: list[signal.Signals] = []
    try:
        for number in _asked():
            loop.add_signal_handler(number, press, number)
            taken.append(number)
    except (NotImplementedError, RuntimeError, ValueError):  # this system, or a thread: they then end at once
        pass
    try:
        yield
    finally:
        for number in taken:
            loop.remove_signal_handler(number)


@contextmanager
def interrupting() -> Iterator[None]:
    """While the block waits for a person, outside any loop's turn, each of them raises KeyboardInterrupt."""
    before = {number: signal.signal(number, signal.default_int_handler) for number in _asked()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
