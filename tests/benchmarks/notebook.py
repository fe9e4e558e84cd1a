"""How long the notebook screen, its search, the statistics and an export take with ten thousand sessions.

Run: python tests/benchmarks/notebook.py [SESSIONS]   (JSON on standard output; medians in seconds of one run)
Goals: the screen and the statistics within one second each. The boards are invented.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from console.cli import run  # noqa: E402
from console.errors import Outcome  # noqa: E402
from console.notebook.entry import Fix  # noqa: E402
from console.notebook.store import Notebook  # noqa: E402
from console.screens.app import WakelineApp  # noqa: E402
from console.screens.notebook_screen import NotebookScreen  # noqa: E402
from tests.console.notebook.conftest import entry, stage  # noqa: E402

ROUNDS = 5
CAUSES = ("board-rx-open", "wires-uncrossed", "boot-strap-wrong", "target-unpowered", "target-dead")


def fill(path: Path, count: int) -> None:
    """`count` sessions of a fifth as many boards; most boards fail at first, get a fix, and pass."""
    dice = random.Random(7)
    with Notebook.open(path) as notebook:
        notebook._db.execute("PRAGMA synchronous = OFF")  # only to fill it; the file is thrown away
        for at in range(count):
            board = f"tern-{at // 5:05}"
            bad = dice.random() < 0.4
            codes = (("silence", 1),) if dice.random() < 0.7 else (("garbage", 12), ("errors", 3))
            made = entry(
                board,
                day=at / 50,
                first=Outcome.NO_ANSWER if bad else Outcome.OK,
                codes=codes,
                stages=tuple(stage(name, elapsed_s=dice.uniform(0.02, 0.05)) for name in ("listen", "sync", "identify"))
                if not bad
                else (stage("listen"), stage("sync", Outcome.NO_ANSWER)),
            )
            number = notebook.store(made)
            if bad and dice.random() < 0.7:
                fix = Fix(dice.choice(CAUSES), f"U{dice.randint(1, 9)}", str(dice.randint(1, 64)), "reflowed")
                notebook.add_fix(number, fix, made.started_ns)


def command(*words: str) -> float:
    """Wall time of one command in this process, its output thrown away."""
    begun = time.perf_counter()
    with contextlib.redirect_stdout(io.StringIO()):
        code = run(words)
    assert code == 0, words
    return time.perf_counter() - begun


async def screen(path: Path) -> dict[str, float]:
    """From the key to the first page, and from a typed word to the narrowed list."""
    app = WakelineApp()
    app.notebook = path
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        begun = time.perf_counter()
        await pilot.press("f8")
        while not (isinstance(app.screen, NotebookScreen) and app.screen.shown):
            await asyncio.sleep(0.001)
        opened = time.perf_counter() - begun
        await pilot.press("f")
        rows = len(app.screen.query_one("#sessions").rows)  # type: ignore[attr-defined]
        begun = time.perf_counter()
        await pilot.press("U", "7")
        while len(app.screen.query_one("#sessions").rows) in (rows, 0):  # type: ignore[attr-defined]
            await asyncio.sleep(0.001)
        return {"screen_opens": opened, "screen_search": time.perf_counter() - begun}


def main(count: int) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "notebook.sqlite"
        begun = time.perf_counter()
        fill(path, count)
        filled = time.perf_counter() - begun
        out = Path(folder) / "out.csv"
        asks: dict[str, Callable[[], float]] = {
            "stats": lambda: command("notebook", "stats", "--notebook", str(path), "--board", "tern-00007"),
            "list": lambda: command("notebook", "list", "silence", "--notebook", str(path)),
            "show": lambda: command("notebook", "show", "tern-00007", "--notebook", str(path)),
            "export": lambda: command("notebook", "export", "--notebook", str(path), "-o", str(out), "--overwrite"),
        }
        times: dict[str, list[float]] = {}
        for _ in range(ROUNDS):
            for name, ask in asks.items():
                times.setdefault(name, []).append(ask())
            for name, seconds in asyncio.run(screen(path)).items():
                times.setdefault(name, []).append(seconds)
        size = path.stat().st_size
    medians = {f"{name}_s": round(statistics.median(values), 4) for name, values in times.items()}
    print(
        json.dumps(
            {"sessions": count, "file_mb": round(size / 1e6, 1), "fill_s": round(filled, 2), **medians}, indent=2
        )
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
