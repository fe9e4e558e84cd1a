"""Every flaw that the bench can stage, met by the `program` command over a real port: never a false success.

What physics allows a second run is what the flaw leaves: a chip that is powered and reset again, with --resume.
"""

from __future__ import annotations

import asyncio
import json
import random
import struct
from pathlib import Path
from typing import Any

import pytest

from console import cli
from console.bench.client import SimulatedBench
from console.bench.spoils import SPOILS
from protocols.an3155 import realign

FIRMWARE = bytearray(random.Random(7).randbytes(2600))
FIRMWARE[:8] = struct.pack("<II", 0x2000_5000, 0x0800_0101)  # DDI 0403: stack pointer, reset vector with its thumb bit
# flaws of the memory: no run can end well, and the exit code says mismatch
WORN = {
    "stuck-bit:address=0x08000404,bit=1,level=0",
    "stuck-bit:address=0x08000404,bit=1,level=1",
    "locked-sector:sector=0",
}
# met on the way: the run ends well by itself
PASSING = {
    "nack-command:at=8",
    "late-ack:at=14,ms=700",
    "drop-byte:way=to-board,place=500",
    "drop-byte:way=to-host,place=60",
    "drop-byte:way=to-host,place=400",
    "corrupt-byte:way=to-board,place=300",
    "corrupt-byte:way=to-host,place=500",
}
# the run is cut off; on a board that is powered and in its loader again, --resume finishes it
CUTTING = {
    "stall-command:at=9": ("reset",),
    "reset-at:way=to-board,place=700": ("reset",),
    "power-fails:at=3": ("power-on", "reset"),
}
# nothing to do with programming (joints of the logger's parts), or no line is left to resume on, or no effect
# on blank pages
OTHER = {"open-pin", "bridge-pins", "dead-part", "bus-pull", "vanish-at", "stubborn-page"}


def name(flaw: str) -> str:
    return flaw.partition(":")[0]


async def program(capsys: Any, port: str, image: Path, *more: str) -> tuple[int, dict[str, Any]]:
    words = ["program", port, str(image), "--address", "0x08000000", "--listen", "0", "--json", *more]
    code = await asyncio.to_thread(cli.run, words)
    out, err = capsys.readouterr()
    assert err == ""
    return code, json.loads(out)


async def holds(capsys: Any, port: str, image: Path) -> bool:
    """What the chip itself says, read by another command."""
    words = ["compare", port, str(image), "--address", "0x08000000", "--listen", "0", "--json", "--resume"]
    code = await asyncio.to_thread(cli.run, words)
    capsys.readouterr()
    return code == 0


@pytest.fixture(autouse=True)
def shorter(monkeypatch: pytest.MonkeyPatch) -> None:
    """The longest packet of these runs has 258 bytes; nobody waits for the end of a longer one."""
    monkeypatch.setattr(realign, "LIMIT", 300)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "tern.bin"
    path.write_bytes(FIRMWARE)
    return path


def test_every_flaw_of_the_bench_has_its_place_here() -> None:
    assert {name(flaw) for flaw in (*WORN, *PASSING, *CUTTING)} | OTHER == set(SPOILS)


@pytest.mark.parametrize("flaw", sorted(WORN))
async def test_memory_that_does_not_take_the_program_is_never_called_good(
    flaw: str, image: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault=flaw, paced=False)
        code, found = await program(capsys, bench.port, image)
        good = await holds(capsys, bench.port, image)
        # a cell that always reads as what it should hold is no flaw to this image
        assert (code == 0) == good
        if not good:
            assert (code, found["outcome"], found["programming"]["complete"]) == (5, "mismatch", False)
            assert found["error"]["help"]


@pytest.mark.parametrize("flaw", sorted(PASSING))
async def test_what_passes_is_met_and_the_end_is_proven(
    flaw: str, image: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault=flaw, paced=False)
        code, found = await program(capsys, bench.port, image)
        assert (code, found["outcome"]) == (0, "ok")
        assert found["programming"]["repeated"] >= 1 or name(flaw) == "late-ack"  # a late one is waited for
        assert await holds(capsys, bench.port, image)


@pytest.mark.parametrize("flaw", sorted(CUTTING))
async def test_a_run_that_was_cut_says_so_and_a_resume_finishes_it(
    flaw: str, image: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault=flaw, paced=False)
        code, found = await program(capsys, bench.port, image)
        if code == 0:  # a reset between two commands is met by realigning
            assert await holds(capsys, bench.port, image)
            return
        assert code in (3, 4, 5)
        assert found["programming"]["complete"] is False
        for act in CUTTING[flaw]:
            await bench.act(act)
        code, found = await program(capsys, bench.port, image, "--resume")
        assert (code, found["outcome"]) == (0, "ok")
        assert await holds(capsys, bench.port, image)
