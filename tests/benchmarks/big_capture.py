"""A capture of a million chunks: time until the first screen shows it, time until all is read, peak memory.

Run: python tests/benchmarks/big_capture.py [CHUNKS]   (JSON on standard output)
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BASE_NS = 1_700_000_000_000_000_000
CHILD = """
import asyncio, json, resource, sys, time
from pathlib import Path
begun = time.perf_counter()
from console.screens.app import WakelineApp

async def main():
    app = WakelineApp(capture=Path(sys.argv[1]), speed=None)
    async with app.run_test(size=(120, 36)) as pilot:
        while not (app.fold is not None and len(app.fold.trace) > 0):
            await asyncio.sleep(0.005)
        await pilot.pause()
        first = time.perf_counter() - begun
        memory_first = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        while app.loading:
            await asyncio.sleep(0.05)
        whole = time.perf_counter() - begun
        rows = len(app.fold.trace)
    print(json.dumps({"first_screen_s": round(first, 3), "memory_first_mb": round(memory_first, 1),
        "whole_s": round(whole, 2), "rows": rows,
        "peak_memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1)}))
asyncio.run(main())
"""


def write(path: Path, chunks: int) -> float:
    """Write a capture of Read Memory turns; returns seconds."""
    from console.events import Chunk, Mark, MarkKind
    from console.record.pcapng import CaptureWriter

    turn = [
        ("out", b"\x11\xee"),
        ("in", b"\x79"),
        ("out", b"\x08\x00\x00\x00\x08"),
        ("in", b"\x79"),
        ("out", b"\x07\xf8"),
        ("in", b"\x79" + bytes(range(8))),
    ]
    begun = time.perf_counter()
    writer = CaptureWriter.create(path, port="/dev/ttyUSB0", baud=115200)
    fields = {"port": "/dev/ttyUSB0", "baud": 115200, "frame": "8E1", "family": "an3155"}
    writer.write(Mark(BASE_NS, MarkKind.SETTINGS, fields))
    for number in range(chunks):
        direction, data = turn[number % len(turn)]
        writer.write(Chunk(BASE_NS + number * 300_000, direction, data))  # type: ignore[arg-type]
    writer.write(Mark(BASE_NS + chunks * 300_000, MarkKind.END))
    writer.close()
    return time.perf_counter() - begun


def main() -> None:
    """Measure and print."""
    chunks = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.pcapng"
        writing = write(path, chunks)
        child = subprocess.run([sys.executable, "-c", CHILD, str(path)], check=True, capture_output=True, text=True)
        result = json.loads(child.stdout)
        result |= {"chunks": chunks, "file_mb": round(path.stat().st_size / 1e6, 1), "writing_s": round(writing, 2)}
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
