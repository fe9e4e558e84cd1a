"""Host time per request-reply turn over the paced bench, recording on.

Run: python tests/benchmarks/turns.py [TURNS]   (JSON on standard output)

A turn is Get Version: 2 bytes out, 5 in. Added time = measured turn - line time - the chip's own answer times, which
the simulated chip states. The goal is a median under 0.15 ms. What is added holds everything between two processes:
the pty, the loop, the record, the fold and the bench's own lateness.
"""

from __future__ import annotations

import asyncio
import json
import statistics
import sys
import tempfile
from pathlib import Path

from console.bench.client import SimulatedBench
from console.commands.attempt import opened
from console.events import Chunk, Event
from console.link.base import LinkSettings
from console.snapshot import Fold
from protocols.an3155 import host
from protocols.an3155.chip import Chip
from protocols.conversation import Conversation

CHAR_S = 11 / 115200
ANSWER_S = Chip().answer_s * 2  # ACK, then the version and its ACK


def many(turns: int) -> Conversation[int]:
    """The same question again and again, in one conversation."""
    for _ in range(turns):
        yield from host.get_version()
    return turns


async def measure(turns: int) -> dict[str, float]:
    """Added milliseconds per turn: quantiles."""
    chunks: list[Chunk] = []

    def keep(event: Event) -> None:
        if isinstance(event, Chunk):
            chunks.append(event)

    with tempfile.TemporaryDirectory() as folder:
        async with SimulatedBench() as bench:
            await bench.start()
            settings = LinkSettings(port=bench.port)
            async with opened(settings, fold=Fold(), record=str(Path(folder) / "turns.pcapng")) as session:
                await session.handshake(listen_s=0)
                session.add_sink(keep)
                await session.converse("turns", many(turns))
    added, begun, got = [], 0, 0
    for chunk in chunks:
        if chunk.direction == "out":
            begun, got = chunk.t_ns, 0
        else:
            got += len(chunk.data)
            if got == 5:
                added.append((chunk.t_ns - begun) / 1e6 - (2 + 5) * CHAR_S * 1e3 - ANSWER_S * 1e3)
    cuts = statistics.quantiles(added, n=100)
    return {
        "turns": len(added),
        "wire_ms": round(7 * CHAR_S * 1e3, 3),
        "chip_ms": round(ANSWER_S * 1e3, 3),
        "added_median_ms": round(statistics.median(added), 4),
        "added_p90_ms": round(cuts[89], 4),
        "added_p99_ms": round(cuts[98], 4),
        "turn_over_wire_and_chip": round(1 + statistics.median(added) / (7 * CHAR_S * 1e3 + ANSWER_S * 1e3), 4),
    }


if __name__ == "__main__":
    print(json.dumps(asyncio.run(measure(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)), indent=2))
