"""1.2 MB/s in each direction, recorded, with the screens on: nothing lost, and how late the event loop gets.

Run: python tests/benchmarks/flood.py [SECONDS]   (JSON on standard output)

12 Mbaud 8N1 is 1.2 MB/s. The peer is a process of its own on a socket of 127.0.0.1 that sends numbered blocks at that
pace and counts what it gets. Lag is how much later than asked a 5 ms timer of the application's loop fires.
"""

from __future__ import annotations

import asyncio
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time

from console.events import Chunk
from console.link.base import LinkSettings
from console.record.pcapng import CaptureFile
from console.screens.app import WakelineApp
from console.screens.source import LiveSource

RATE = 1_200_000
BLOCK = 6_000  # every 5 ms
PEER = """
import asyncio, json, sys
RATE, BLOCK = 1_200_000, 6_000
async def serve(reader, writer):
    seconds, got, sent = float(sys.argv[1]), 0, 0
    async def take():
        nonlocal got
        while data := await reader.read(65536):
            got += len(data)
    taking = asyncio.ensure_future(take())
    await asyncio.sleep(0.5)
    loop = asyncio.get_running_loop()
    begun = loop.time()
    while loop.time() - begun < seconds:
        writer.write(sent.to_bytes(4) + bytes(n & 0xFF for n in range(BLOCK - 4)))
        sent += BLOCK
        await asyncio.sleep(max(0, begun + sent / RATE - loop.time()))
    await writer.drain()
    await taking
    print(json.dumps({"sent": sent, "got": got}), flush=True)
    done.set()
done = asyncio.Event()
async def main():
    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    print(server.sockets[0].getsockname()[1], flush=True)
    await done.wait()
asyncio.run(main())
"""


async def lateness(samples: list[float], stop: asyncio.Event) -> None:
    """Sample how late a 5 ms timer fires, in ms."""
    loop = asyncio.get_running_loop()
    while not stop.is_set():
        due = loop.time() + 0.005
        await asyncio.sleep(0.005)
        samples.append(max(0.0, loop.time() - due) * 1e3)


async def measure(seconds: float) -> dict[str, object]:
    """Run the flood once."""
    peer = subprocess.Popen([sys.executable, "-c", PEER, str(seconds)], stdout=subprocess.PIPE, text=True)
    assert peer.stdout is not None
    port = f"socket://127.0.0.1:{peer.stdout.readline().strip()}"
    app = WakelineApp(port=LinkSettings(port=port, baud=12_000_000))
    samples: list[float] = []
    sent = 0
    async with app.run_test(size=(120, 36)) as pilot:
        source = app.source
        assert isinstance(source, LiveSource)
        session = await source.ready()
        source.record_on()
        while session.busy:
            await pilot.pause()
        stop = asyncio.Event()
        lag = asyncio.ensure_future(lateness(samples, stop))
        loop = asyncio.get_running_loop()
        begun, cpu = loop.time(), time.process_time()
        block = bytes(n & 0xFF for n in range(BLOCK))
        while loop.time() - begun < seconds:
            session._write(block)  # the session's own path for bytes out, without a protocol that would wait
            sent += BLOCK
            await asyncio.sleep(max(0.0, begun + sent / RATE - loop.time()))
        await asyncio.sleep(1.0)
        cpu = time.process_time() - cpu
        stop.set()
        await lag
        rows = len(source.bridge.fold.trace)
        path = source.record_path
        await source.close()
    counted = json.loads(peer.stdout.read())
    peer.wait()
    recorded = {"in": 0, "out": 0}
    assert path is not None
    for event in CaptureFile(path).events():
        if isinstance(event, Chunk):
            recorded[event.direction] += len(event.data)
    cuts = statistics.quantiles(samples, n=100)
    return {
        "seconds": seconds,
        "mb_each_way": round(sent / 1e6, 2),
        "lost_in": counted["sent"] - recorded["in"],
        "lost_out": sent - recorded["out"],
        "peer_missed": sent - counted["got"],
        "rows": rows,
        "lag_median_ms": round(statistics.median(samples), 2),
        "lag_p99_ms": round(cuts[98], 2),
        "lag_max_ms": round(max(samples), 2),
        "cpu_share": round(cpu / seconds, 2),
        "peak_memory_mb": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    }


def main() -> None:
    """Measure and print."""
    import os

    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        result = asyncio.run(measure(float(sys.argv[1]) if len(sys.argv) > 1 else 10.0))
        os.chdir("/")
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
