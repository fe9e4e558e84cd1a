"""A call in a thread, awaited: whatever it raises arrives."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")


async def in_thread(call: Callable[[], T]) -> T:
    """`asyncio.to_thread`, save for StopIteration: a future cannot hold it, and its awaiter would wait for ever.

    Raises what `call` raises; RuntimeError from a StopIteration, as generators do (PEP 479).
    """

    def guarded() -> T:
        try:
            return call()
        except StopIteration as error:
            raise RuntimeError("StopIteration in a thread") from error

    return await asyncio.to_thread(guarded)
