"""Every flaw that the bench can stage, met by the `program` command over a real port: never a false success.

What physics allows a second run is what the flaw leaves: a chip that is powered and reset again, with --resume.
"""

from __future__ import annotations

import asyncio
import json
import random
import struct
import sys
from pathlib import Path
from typing import Any

import pytest

from console import cli
from console.bench.client import SimulatedBench
from console.bench.spoils import SPOILS
from protocols.an3155 import realign
from tests.test_commands import wakeline

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
    "drop-byte:way=to-host,place=120",
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
# the port itself goes away; it comes back by hand
VANISHING = {
    "vanish-at:way=to-board,place=100",
    "vanish-at:way=to-board,place=700",
    "vanish-at:way=to-host,place=120",
    "vanish-at:way=to-host,place=1500",
}
# pages that are written for the second time: a blank one has nothing to keep
STUBBORN = {"stubborn-page:page=0", "stubborn-page:page=1"}
# nothing to do with programming: joints of the logger's parts
OTHER = {"open-pin", "shaky-pin", "bridge-pins", "dead-part", "bus-pull"}


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
    assert {name(flaw) for flaw in (*WORN, *PASSING, *CUTTING, *VANISHING, *STUBBORN)} | OTHER == set(SPOILS)


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


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo terminals")
@pytest.mark.parametrize("flaw", sorted(VANISHING))
async def test_a_port_that_vanishes_is_told_recorded_and_resumed_from(
    flaw: str, image: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = tmp_path / "run.pcapng"
    async with SimulatedBench() as bench:
        await bench.start(fault=flaw, paced=False, link=tmp_path / "board.port")
        words = ("--address", "0x08000000", "--listen", "0", "--record", record)
        code, out, err = await wakeline("program", bench.port, image, *words)
        assert code == 6
        assert "program: not complete" in out
        assert "error link-lost: the port went away" in err
        assert "look at the USB cable" in err
        assert "go on with --resume" in err
        assert "Traceback" not in out + err
        # the record ends with what was known when it went, and with the same advice
        code, told, _ = await wakeline("replay", record, "--json")
        found = json.loads(told)
        assert (code, found["outcome"], found["error"]["code"]) == (6, "port", "link-lost")
        assert "go on with --resume" in found["error"]["help"]
        state = found["programming"]
        assert (state["complete"], state["ended"]) == (False, True)
        for what in ("written", "erased"):
            assert state[what] in out

        await bench.act("return")
        code, found = await program(capsys, bench.port, image, "--resume")
        assert (code, found["outcome"]) == (0, "ok")
        assert found["programming"]["complete"] is True
        assert await holds(capsys, bench.port, image)


@pytest.mark.parametrize("flaw", sorted(STUBBORN))
async def test_a_page_that_keeps_its_old_content_is_named_and_never_called_good(
    flaw: str, image: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    newer, record = tmp_path / "newer.bin", tmp_path / "run.pcapng"
    newer.write_bytes(bytes(FIRMWARE[:8]) + random.Random(8).randbytes(len(FIRMWARE) - 8))
    page = int(flaw[-1])
    async with SimulatedBench() as bench:
        await bench.start(fault=flaw, paced=False)
        assert (await program(capsys, bench.port, image))[0] == 0  # blank pages take it
        words = ("--address", "0x08000000", "--listen", "0", "--record", record)
        code, out, err = await wakeline("program", bench.port, newer, *words)
        assert code == 5
        assert "program: not complete" in out
        assert f"erased and written again: page {page}" in out
        assert "error mismatch: memory does not hold what was written: 0x0800" in err
        # from outside it cannot be told from a protected page: the second write left it as it was
        assert "write-ignored: the block is as it was although the write was acknowledged" in err
        assert "next: do not use this board" in err
        code, told, _ = await wakeline("replay", record, "--json")
        found = json.loads(told)
        assert (code, found["outcome"], found["programming"]["complete"]) == (5, "mismatch", False)
        # no resume makes it good while the page keeps what it holds
        assert (await program(capsys, bench.port, newer, "--resume"))[0] == 5
        assert not await holds(capsys, bench.port, newer)
        await bench.act("heal-flaws")
        code, found = await program(capsys, bench.port, newer, "--resume")
        assert (code, found["outcome"]) == (0, "ok")
        assert await holds(capsys, bench.port, newer)
