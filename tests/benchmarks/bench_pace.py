"""How true the paced bench is to its own clock: writes to RAM by a plain blocking program, against wire and chip time.

Run: python tests/benchmarks/bench_pace.py [WRITES] [ROUNDS]   (JSON on standard output)

One write is Write Memory with 256 bytes (AN3155 Rev 20 s.3.6): command, address, data out, an acknowledge after each.
The program does nothing but write and read; no part of the console's link or session is used. Ideal time = characters
both ways at 11 bits + the answer times the simulated chip states. The goal is a ratio of at most 1.02 at 115200 and at
1000000 baud on an idle machine. What is above 1 holds two wake-ups for each acknowledge, the program's and the
bench's; `floor` says what they cost here and now: the same ratio if the line took no more than a turn between two plain
processes over a pseudo terminal does. `without_the_programs_waiting` leaves out what the program waited for a
processor.
"""

from __future__ import annotations

import asyncio
import json
import os
import select
import statistics
import sys
import termios
import time
import tty

from console.bench.client import SimulatedBench
from protocols.an3155.chip import Chip
from protocols.an3155.frames import xor

ADDRESS = 0x2000_1000
DATA = bytes(range(256))
_RATES = {115200: termios.B115200, 1_000_000: termios.B1000000}


class Port:
    """A raw port, blocking."""

    def __init__(self, name: str, baud: int) -> None:
        self.fd = os.open(name, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.fd)
        settings = termios.tcgetattr(self.fd)
        settings[4] = settings[5] = _RATES[baud]
        termios.tcsetattr(self.fd, termios.TCSANOW, settings)

    def ask(self, data: bytes) -> None:
        """Send, and wait for one acknowledge."""
        os.write(self.fd, data)
        if not select.select([self.fd], [], [], 5)[0] or os.read(self.fd, 1) != b"\x79":
            raise SystemExit("the board did not acknowledge")


def frames() -> tuple[bytes, bytes, bytes]:
    """Command, address and data of one write."""
    address = ADDRESS.to_bytes(4)
    data = bytes((len(DATA) - 1,)) + DATA
    return b"\x31\xce", address + bytes((xor(address),)), data + bytes((xor(data),))


def waited_s() -> float:
    """Seconds this thread was ready and got no processor (Linux, Documentation/scheduler/sched-stats.rst)."""
    try:
        with open("/proc/thread-self/schedstat", "rb") as stream:
            return int(stream.read().split()[1]) / 1e9
    except OSError:
        return 0.0


def run(port: str, baud: int, writes: int) -> tuple[float, float]:
    """Seconds of `writes` writes, and how much of it this program waited for a processor."""
    line = Port(port, baud)
    time.sleep(0.2)  # the bench looks for an opened port now and then
    line.ask(b"\x7f")
    parts = frames()
    begun, waited = time.perf_counter(), waited_s()
    for _ in range(writes):
        for part in parts:
            line.ask(part)
    took, waited = time.perf_counter() - begun, waited_s() - waited
    os.close(line.fd)
    return took, waited


def turn_s(turns: int = 500) -> float:
    """Mean seconds from a write to the one-byte answer of another process, each turn after a millisecond's rest."""
    master, slave = os.openpty()
    tty.setraw(slave)
    child = os.fork()
    if child == 0:
        while os.read(slave, 1) != b"q":
            os.write(slave, b"a")
        os._exit(0)
    took = 0.0
    for _ in range(turns):
        time.sleep(0.001)
        begun = time.perf_counter()
        os.write(master, b"w")
        select.select([master], [], [], 5)
        os.read(master, 1)
        took += time.perf_counter() - begun
    os.write(master, b"q")
    os.waitpid(child, 0)
    return took / turns


async def measure(writes: int, rounds: int) -> dict[str, dict[str, float]]:
    """Ratios per rate."""
    out = {}
    for baud in _RATES:
        chars = sum(map(len, frames())) + 3
        ideal = writes * (chars * 11 / baud + 3 * Chip().answer_s)
        ratios, own, floor = [], [], 1 + 3 * writes * turn_s() / ideal
        for _ in range(rounds):
            async with SimulatedBench() as bench:
                await bench.start()
                took, waited = await asyncio.to_thread(run, bench.port, baud, writes)
                ratios.append(took / ideal)
                own.append((took - waited) / ideal)
        out[str(baud)] = {
            "ideal_ms_per_write": round(ideal / writes * 1e3, 3),
            "floor": round(floor, 4),
            "ratio_median": round(statistics.median(ratios), 4),
            "ratio_worst": round(max(ratios), 4),
            "without_the_programs_waiting": round(statistics.median(own), 4),
        }
    return out


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    print(json.dumps(asyncio.run(measure(*(given + [200, 5][len(given) :]))), indent=2))
