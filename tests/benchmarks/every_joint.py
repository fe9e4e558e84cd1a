"""Every joint and every part of the example staged alone, each board brought up by the bench's own hands: looks needed.

    python -m tests.benchmarks.every_joint [pins|parts|gaps] [processes]

Looks are suspects looked at or measured, and steps of the diagnosis of a silent board. Nothing here is timed: the
numbers are the same on every machine.
"""

from __future__ import annotations

import json
import statistics
import sys
from concurrent.futures import ProcessPoolExecutor
from typing import NamedTuple

from console.bench import tern
from console.bench.joints import Joints
from console.bench.scenes import setup_for
from console.bench.setup import Setup
from console.bench.signs import unseen
from console.boards.faults import Kind
from console.boards.plan import faults_of
from tests.console.bringup.bench_board import walked
from tests.console.bringup.staged_board import TERN


class Row(NamedTuple):
    """One board: what was staged, how it ended, which stages stopped, the looks, what was put right."""

    flaw: str
    end: str
    stopped_at: list[str]
    looks: int
    repairs: list[str]


def one(flaw: str) -> Row:
    """Bring one board up."""
    walk = walked(flaw)
    hidden = bool(list(unseen(Setup(), [flaw])))
    mended = walk.board.setup.joints == Joints()
    assert mended or walk.board.setup.joints == setup_for(None, (flaw,)).joints
    end = "shows nowhere" if hidden else "mended" if mended and walk.boxed else f"left: {walk.outcome}"
    return Row(flaw, end, walk.failed, len(walk.looks), [repair.key for repair in walk.repairs])


def flaws(which: str) -> list[str]:
    """What is staged, one board each."""
    if which == "gaps":
        pairs = [fault.pins for fault in faults_of(TERN) if fault.kind is Kind.BRIDGE]
        return [f"bridge-pins:a={a.ref},b={b.ref}" for a, b in pairs]
    if which == "parts":
        return [f"dead-part:part={part}" for part in sorted(tern.PARTS)]
    return [f"open-pin:pin={pin}" for pin in sorted(tern.NETS)]


def main() -> None:
    """Walk and print."""
    which = sys.argv[1] if len(sys.argv) > 1 else "pins"
    with ProcessPoolExecutor(int(sys.argv[2]) if len(sys.argv) > 2 else 2) as pool:
        rows = list(pool.map(one, flaws(which)))
    for row in sorted(rows, key=lambda row: (row.end, row.stopped_at, row.looks)):
        print(f"{row.flaw:<28} {row.end:<14} {','.join(row.stopped_at):<13} {row.looks:>3}  {'; '.join(row.repairs)}")
    seen = [row.looks for row in rows if row.end == "mended"]
    counts = {end: sum(row.end == end for row in rows) for end in sorted({row.end for row in rows})}
    print(json.dumps({"boards": len(rows), **counts, "median_looks": statistics.median(seen), "most": max(seen)}))


if __name__ == "__main__":
    main()
