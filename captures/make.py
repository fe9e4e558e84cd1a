"""Makes the captures of this folder by running the tool against the simulated bench.

    python captures/make.py NAME ...     (without a name: all)

Each recording gets its expected reading beside it. Look at what changed before you keep it: the expected reading is
what the tool said, and is only worth keeping once a person found it right.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import struct
import sys
import tempfile
from pathlib import Path

from console import cli
from console.bench.client import SimulatedBench
from console.commands.attempt import opened
from console.commands.replay import fold_file
from console.link.base import LinkSettings
from console.session.line_tests import LOOP_BACK, listen_at_rates, send_pattern
from console.snapshot import Fold
from console.summary import as_object

HERE = Path(__file__).resolve().parent
# name of the capture -> fault staged on the bench
RECORDED: dict[str, str | None] = {
    "good": None,
    "wires-uncrossed": "wires-uncrossed",
    "unpowered-line-low": "target-unpowered",
    "echo": "tx-rx-shorted",
    "garbage-rate": "baud-too-far",
    "frame-format": "frame-format-wrong",
    "readout-protected": "readout-protected",
    "application-text": "application-running",
    "noise-before-ack": "noise",
    "hostile-bytes": "hostile",
    "vanished": "vanish",
}
CUT = "cut-in-the-middle"
LINE_TESTS = "line-tests"
PROGRAMMED = "programmed"


async def record(name: str, fault: str | None) -> None:
    """One capture over a real port."""
    path = HERE / f"{name}.pcapng"
    async with SimulatedBench() as bench:
        await bench.start(fault=fault)
        async with opened(LinkSettings(port=bench.port), fold=Fold(), record=str(path), overwrite=True) as session:
            await session.handshake(listen_s=5 if fault == "vanish" else 0.25)


async def record_swap() -> None:
    """The demo's story as one capture: silence, swap, identified."""
    async with SimulatedBench() as bench:
        await bench.start(scene="tern-07")
        path = HERE / "swap-story.pcapng"
        async with opened(LinkSettings(port=bench.port), fold=Fold(), record=str(path), overwrite=True) as session:
            await session.handshake()
            await bench.act("swap-wires")
            session.operator("swap-done")
            await session.handshake()


async def record_line_tests() -> None:
    """An application at another rate: handshake, loop-back at the adapter, then listening finds its text."""
    async with SimulatedBench() as bench:
        await bench.start(fault="application-at-9600")
        path = HERE / f"{LINE_TESTS}.pcapng"
        async with opened(LinkSettings(port=bench.port), fold=Fold(), record=str(path), overwrite=True) as session:
            await session.handshake()
            await bench.act("join-adapter")
            await send_pattern(session, LOOP_BACK)
            await bench.act("part-adapter")
            await listen_at_rates(session, (57600, 9600), seconds=0.5)


def record_programming() -> None:
    """A small program written, read back and started; one byte of a block is spoiled on the way and repeated."""
    firmware = bytearray(random.Random(12).randbytes(1400))
    firmware[:8] = struct.pack("<II", 0x2000_5000, 0x0800_0101)

    async def bench_and_command() -> int:
        async with SimulatedBench() as bench:
            await bench.start(fault="corrupt-byte:place=900,way=to-board")
            with tempfile.TemporaryDirectory() as folder:
                os.chdir(folder)  # the record names the file as it was given
                Path("tern.bin").write_bytes(firmware)  # noqa: ASYNC240  # nothing runs beside it
                path = str(HERE / f"{PROGRAMMED}.pcapng")
                words = ["program", bench.port, "tern.bin", "--address", "0x08000000", "--record", path]
                return await asyncio.to_thread(cli.run, [*words, "--overwrite", "--start", "--start-listen", "0.3"])

    assert asyncio.run(bench_and_command()) == 0


def expected(name: str) -> None:
    """Write what the tool reads in the capture."""
    found = as_object(fold_file(HERE / f"{name}.pcapng").snapshot())
    (HERE / f"{name}.expected.json").write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")


def main(names: list[str]) -> None:
    """Make the named captures, or all."""
    chosen = names or [*RECORDED, "swap-story", LINE_TESTS, PROGRAMMED, CUT]
    for name in chosen:
        if name == CUT:
            whole = (HERE / "good.pcapng").read_bytes()
            (HERE / f"{CUT}.pcapng").write_bytes(whole[: len(whole) * 2 // 3 | 1])
        elif name == "swap-story":
            asyncio.run(record_swap())
        elif name == LINE_TESTS:
            asyncio.run(record_line_tests())
        elif name == PROGRAMMED:
            record_programming()
        else:
            asyncio.run(record(name, RECORDED[name]))
        expected(name)
        print(f"captures/{name}.pcapng")


if __name__ == "__main__":
    main(sys.argv[1:])
