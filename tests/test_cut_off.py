"""A run that is ended from outside, over a real port to a bench in its own process: what its record says then."""

from __future__ import annotations

import asyncio
import fcntl
import json
import os
import signal
import sys
import termios
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from console.bench.client import SimulatedBench
from tests.terminal import read_terminal
from tests.test_commands import ROOT, wakeline
from tests.test_programming_commands import FIRMWARE

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="this system ends a process in place of signalling it")
IMAGE = FIRMWARE * 3
AT = ("--address", "0x08000000", "--listen", "0")
START, END = 0x0800_0000, 0x0800_0000 + len(IMAGE)


@pytest.fixture
async def board() -> AsyncIterator[SimulatedBench]:
    """A good board in real time."""
    async with SimulatedBench() as bench:
        await bench.start()
        yield bench


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "fw.bin"
    path.write_bytes(IMAGE)
    return path


async def signalled(number: signal.Signals, stage: bytes, *words: str | Path) -> tuple[int | None, str, str]:
    """The command, sent `number` when half of a stage is done: exit code, output, errors."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "console", *map(str, words)),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    lines = []
    async for line in process.stdout:
        lines.append(line.decode())
        if line.startswith(stage) and b"%" in line and int(line.split()[1]) >= 50:
            process.send_signal(number)
            break
    rest, err = await process.communicate()
    return process.returncode, "".join(lines) + rest.decode(), err.decode()


async def replayed(record: Path) -> tuple[int, dict[str, Any]]:
    code, out, _ = await wakeline("replay", record, "--json")
    return code, json.loads(out)


def addresses(text: str) -> set[int]:
    """Ranges as the record tells them: first and last address."""
    spans = (span.split("-") for span in text.split())
    return {address for first, last in spans for address in range(int(first, 16), int(last, 16) + 1)}


async def test_the_record_of_a_killed_run_tells_what_is_proven(
    board: SimulatedBench, image: Path, tmp_path: Path
) -> None:
    record = tmp_path / "run.pcapng"
    words = ("program", board.port, image, *AT)
    code, *_ = await signalled(signal.SIGKILL, b"verify ", *words, "--record", record)
    assert code == -signal.SIGKILL
    code, found = await replayed(record)
    state = found["programming"]
    assert (code, found["outcome"], found["error"]["code"]) == (8, "stopped", "incomplete")
    assert "reset it into the boot loader (boot strap set), then go on with --resume" in found["error"]["help"]
    assert (state["complete"], state["ended"], state["erased"]) == (False, False, "0-8")  # 9000 bytes in pages of 1024
    proven, waiting = addresses(state["proven"]), addresses(state["written"])
    # half of what is read back before the seal, which is the last block that is written
    assert len(proven) == state["proven_bytes"] >= (len(IMAGE) - 256) // 2
    assert not proven & waiting
    assert proven | waiting == set(range(START + 256, END))  # AN3155 Rev 20 s.3.2: blocks of up to 256 bytes
    _, text, _ = await wakeline("replay", record)
    assert f"proven by reading back, at least: {state['proven']}" in text
    assert f"next: {found['error']['help']}" in text
    # and what it advises finishes the run
    await board.act("reset")
    assert (await wakeline(*words, "--resume"))[0] == 0


@pytest.mark.parametrize("number", ["SIGTERM", "SIGHUP"])
async def test_a_polite_end_waits_for_the_block_and_says_what_is_proven(
    number: str, board: SimulatedBench, image: Path, tmp_path: Path
) -> None:
    record = tmp_path / "run.pcapng"
    words = ("program", board.port, image, *AT)
    code, out, err = await signalled(signal.Signals[number], b"write ", *words, "--record", record)
    assert (code, "stopping when this block is done" in out, "program: not complete" in out) == (8, True, True)
    assert "go on with --resume" in err
    code, found = await replayed(record)
    assert (code, found["programming"]["ended"], found["programming"]["proven"]) == (8, True, "")
    assert len(addresses(found["programming"]["written"])) >= (len(IMAGE) - 256) // 2
    assert (await wakeline(*words, "--resume"))[0] == 0


async def test_a_terminal_window_that_is_closed_ends_the_run_in_order(
    board: SimulatedBench, image: Path, tmp_path: Path
) -> None:
    record = tmp_path / "run.pcapng"
    master, slave = os.openpty()
    words = ("program", board.port, str(image), *AT, "--record", str(record))
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "console", *words),
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),
    )
    os.close(slave)
    shown = b""
    while b"write " not in shown or b"1024 of" not in shown:
        shown += await asyncio.to_thread(read_terminal, master)
    os.close(master)
    assert await process.wait() == 8
    code, found = await replayed(record)
    assert (code, found["outcome"], found["programming"]["ended"]) == (8, "stopped", True)
    assert found["programming"]["written"]
