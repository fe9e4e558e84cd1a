"""How long a big netlist takes to read, against merely cutting its lines into columns; and a search for neighbours.

Run: python tests/benchmarks/netlist.py [records]   (JSON on standard output; medians of rounds taken alternately)
"""

from __future__ import annotations

import json
import random
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from console.boards.netlist import Netlist, parse_netlist

ROUNDS = 5
SEED = 356
FIELDS = ((0, 3), (3, 17), (20, 26), (27, 31), (33, 37), (39, 41), (42, 49), (50, 57), (58, 62), (63, 67), (68, 71))


def main() -> None:
    """Print the numbers."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    data = made_up(count)
    netlists: list[Netlist] = []
    read, cut = [], []
    for _ in range(ROUNDS):
        netlists.clear()
        read.append(seconds(lambda: netlists.append(parse_netlist(data))))
        cut.append(seconds(lambda: columns(data)))
    circuit = netlists[0].circuit
    pins = circuit.pins[:2000]
    near = seconds(lambda: [circuit.neighbours(pin, 1.0, 8) for pin in pins])
    out = {
        "records": count,
        "bytes": len(data),
        "read_s": round(statistics.median(read), 3),
        "against_cutting_columns": round(statistics.median(read) / statistics.median(cut), 2),
        "neighbours_us_per_pin": round(near / len(pins) * 1e6, 1),
        "notices": [str(notice) for notice in netlists[0].notices],
    }
    print(json.dumps(out, indent=2))


def made_up(count: int) -> bytes:
    """A netlist with `count` surface pins of 48-pin parts, in 20 000 nets at most, on a plate of 300 mm."""
    dice = random.Random(SEED)
    lines = ["P  UNITS CUST 1"]
    for n in range(count):
        x, y = dice.randrange(300_000), dice.randrange(300_000)
        net, ref, pin = f"NET{dice.randrange(20_000):05}", f"U{n // 48}", n % 48 + 1
        lines.append(f"327{net:14}   {ref:6}-{pin:<4}       A01X{x:+07}Y{y:+07}X0240Y0600R090 S0")
    return "\n".join([*lines, "999"]).encode()


def columns(data: bytes) -> list[list[str]]:
    """The least any reader must do: lines, and the fields of each as text."""
    return [[line[a:b] for a, b in FIELDS] for line in data.decode("latin-1").split("\n")]


def seconds(work: Callable[[], object]) -> float:
    """How long it took once."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


if __name__ == "__main__":
    main()
