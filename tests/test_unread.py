"""What becomes of a run whose text nobody can read: real processes, real pipes, a full disk.

POSIX.1-2017 write(): EPIPE where nobody has the pipe open for reading; full(4): every write to it fails with ENOSPC.
"""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from console.bench.client import SimulatedBench
from tests.test_commands import ROOT, wakeline
from tests.test_programming_commands import FIRMWARE

pytestmark = pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")
IMAGE = FIRMWARE * 5
AT = ("--address", "0x08000000", "--listen", "0")


@pytest.fixture
async def board() -> AsyncIterator[SimulatedBench]:
    """A good board, as fast as it goes."""
    async with SimulatedBench() as bench:
        await bench.start(paced=False)
        yield bench


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "fw.bin"
    path.write_bytes(IMAGE)
    return path


async def to(stdout: int, *words: str | Path, same_error: bool = False) -> tuple[int | None, str]:
    """The command with this standard output: exit code, what it said on standard error (unless that goes there too)."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "console", *map(str, words)),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=stdout,
        stderr=stdout if same_error else asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    os.close(stdout)
    _, err = await process.communicate()
    return process.returncode, (err or b"").decode()


def nobody() -> int:
    """A pipe that nobody reads."""
    read, write = os.pipe()
    os.close(read)
    return write


def full() -> int:
    return os.open("/dev/full", os.O_WRONLY)


async def holds(board: SimulatedBench, image: Path) -> bool:
    return (await wakeline("compare", board.port, image, *AT, "--resume"))[0] == 0


async def test_a_reader_that_leaves_in_the_middle_leaves_the_program_whole(board: SimulatedBench, image: Path) -> None:
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "console", "program", board.port, str(image), *AT),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    async for line in process.stdout:
        if line.startswith(b"write "):
            break
    process.stdout._transport.close()  # type: ignore[attr-defined]  # as `head` does
    assert process.stderr is not None
    err = (await process.stderr.read()).decode()
    assert await process.wait() == 0
    assert "Traceback" not in err
    assert await holds(board, image)


async def test_a_pipe_without_a_reader_is_told_beside_the_end_of_the_run(board: SimulatedBench, image: Path) -> None:
    words = ("update", board.port, image, *AT, "--yes", "--no-backup")
    code, err = await to(nobody(), *words)
    assert (code, err) == (
        0,
        "note: the text could not be written to its end (Broken pipe); "
        "the run went on, and ended with: ok (exit code 0)\n",
    )
    assert await holds(board, image)
    await board.act("reset")
    other = image.with_name("other.bin")
    other.write_bytes(bytes(reversed(IMAGE)))
    code, err = await to(nobody(), "compare", board.port, other, *AT)
    assert (code, "ended with: mismatch (exit code 5)" in err) == (5, True)


async def test_a_full_disk_is_told_and_the_chip_is_programmed(board: SimulatedBench, image: Path) -> None:
    code, err = await to(full(), "program", board.port, image, *AT)
    assert (code, "(No space left on device)" in err, "ended with: ok" in err) == (0, True, True)
    assert "Traceback" not in err
    assert await holds(board, image)


async def test_text_and_errors_into_one_dead_pipe_do_no_harm(board: SimulatedBench, image: Path) -> None:
    assert (await to(nobody(), "program", board.port, image, *AT, same_error=True))[0] == 0
    assert await holds(board, image)


@pytest.mark.parametrize("place", [nobody, full])
async def test_an_object_that_reached_nobody_is_no_success(
    place: type[int], board: SimulatedBench, image: Path
) -> None:
    code, err = await to(place(), "program", board.port, image, *AT, "--json")
    assert code == 7
    assert "error output: the JSON object cannot be written" in err
    assert "ended with: ok (exit code 0)" in err
    assert await holds(board, image)


async def test_an_output_that_was_closed_before_does_no_harm(board: SimulatedBench, image: Path) -> None:
    words = f'exec "$0" -m console program "$1" "$2" {" ".join(AT)} >&-'
    process = await asyncio.create_subprocess_exec(
        *("sh", "-c", words, sys.executable, board.port, str(image)),
        stdin=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    _, err = await process.communicate()
    assert (process.returncode, "ended with: ok" in err.decode()) == (0, True)
    assert await holds(board, image)


@pytest.mark.parametrize("words", [("ports",), ("ports", "--json"), ("bench", "--list"), ("--help",)])
async def test_a_list_that_nobody_reads_ends_quietly(words: tuple[str, ...]) -> None:
    assert await to(nobody(), *words) == (0, "")


async def test_a_list_that_finds_no_room_says_so() -> None:
    code, err = await to(full(), "ports")
    assert (code, err.splitlines()[0]) == (7, "error output: the text cannot be written: No space left on device")


async def test_a_replay_keeps_the_exit_code_of_its_run_in_silence() -> None:
    assert await to(nobody(), "replay", ROOT / "captures" / "wires-uncrossed.pcapng") == (3, "")
