"""`wakeline` in a process of its own on a pseudo terminal, as a person at it sees and answers it."""

from __future__ import annotations

import asyncio
import os
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


async def on_terminal(*words: str, question: bytes, answer: bytes) -> tuple[int, bytes]:
    """Run the command, type `answer` once where `question` is asked; the exit code and all that was shown."""
    master, slave = os.openpty()
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        *("-m", "console", *words),
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        start_new_session=True,
    )
    os.close(slave)
    shown = b""
    while chunk := await asyncio.to_thread(read_terminal, master):
        shown += chunk
        if question in shown and answer:
            os.write(master, answer)
            answer = b""
    os.close(master)
    return await process.wait(), shown


def read_terminal(master: int) -> bytes:
    """What the terminal shows next; nothing when its program has left."""
    try:
        return os.read(master, 4096)
    except OSError:
        return b""
