"""One call in a thread of its own, awaited with a deadline: for system calls that may hang.

The event loop's own pool will not do: a program cannot end before all of its threads have, and a driver may hold one
for half a minute.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


def start(call: Callable[[], T], name: str) -> asyncio.Future[T]:
    """Run `call` in a daemon thread; the future gets its result or error. Cancelling it does not stop the call."""
    loop = asyncio.get_running_loop()
    future: asyncio.Future[T] = loop.create_future()

    def settle(result: T | None, error: BaseException | None) -> None:
        if future.done():
            return
        if error is not None:
            future.set_exception(error)
        else:
            future.set_result(result)  # type: ignore[arg-type]

    def run() -> None:
        result: T | None = None
        failure: BaseException | None = None
        try:
            result = call()
        except Exception as error:
            failure = error
        with contextlib.suppress(RuntimeError):  # the loop may be gone by now, and nobody waits any more
            loop.call_soon_threadsafe(settle, result, failure)

    threading.Thread(target=run, name=name, daemon=True).start()
    return future
