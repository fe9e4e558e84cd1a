"""`wakeline demo`: the story of a freshly soldered board on the simulated bench.

On a terminal it is the real screens with a guiding line; in a pipe, or with --headless, the same story as text. Both
talk to a simulated board in its own process over a real port; nothing in the story is scripted but the operator.
"""

from __future__ import annotations

import asyncio
import sys
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path

from console.bench.client import SimulatedBench
from console.commands.attempt import LiveText, opened
from console.commands.hands import BenchHands
from console.errors import Outcome, UsageTrouble
from console.link.base import LinkSettings
from console.operating import walk
from console.snapshot import Fold, Snapshot, exit_code
from console.summary import as_object, cause_lines, dumps, product_text, verdict_lines

Say = Callable[[str], None]


def run(options: Namespace) -> int:
    """Run the command; returns the exit code of the last attempt."""
    known = stories()
    if options.scene not in known:
        raise UsageTrouble(
            "scene", f"there is no scene {options.scene!r}", help=f"choose one of: {', '.join(sorted(known))}"
        )
    keeper = None
    if options.notebook is not None:  # the story stays the same whatever the user's own notebook has learned
        from console.notebook.keeper import Keeper

        keeper = Keeper(Path(options.notebook), board=options.scene)
    if sys.stdout.isatty() and sys.stdin.isatty() and not (options.headless or options.json):
        from console.screens.app import run_app

        return run_app(demo=True, scene=options.scene, keeper=keeper)
    say: Say = (lambda _: None) if options.json else (lambda text: print(text, flush=True))
    fold = Fold(None if keeper is None else keeper.priors)
    snapshot = asyncio.run(tell(options.scene, say, fold, show_trace=not options.json))
    kept = None if keeper is None else keeper.keep(snapshot)
    if options.json:
        notes = {} if kept is None else {"notebook": kept.as_object()}
        print(dumps(as_object(snapshot) | notes))
    elif kept is not None:
        say("\n".join(["", *kept.lines()]))
    return exit_code(snapshot)


def stories() -> dict[str, str]:
    """Scene names with one line of story each."""
    from console.bench.scenes import scenes

    return {scene.name: scene.title for scene in scenes()}


async def tell(scene: str, say: Say, fold: Fold, *, show_trace: bool) -> Snapshot:
    """Play the story once into `fold`: attempt, verdict, do what the tool says, repeat. Returns the last picture."""
    say(stories()[scene])
    async with SimulatedBench() as bench:
        await bench.start(scene=scene)
        say(f"The board is connected to {bench.port}. First attempt:\n")
        live = LiveText(fold, sys.stdout) if show_trace else None

        def show(snapshot: Snapshot, attempted: bool) -> None:
            if live is not None:
                live.flush()
            say("\n".join(verdict_lines(snapshot) if attempted else ["", *cause_lines(snapshot)]))

        async with opened(LinkSettings(port=bench.port), fold=fold, live=live) as session:
            await walk(session, fold, BenchHands(bench.act, say), show)
    snapshot = fold.snapshot()
    if snapshot.outcome is Outcome.OK and snapshot.identity is not None:
        say(f"\nThe board is awake and identified: product id {product_text(snapshot.identity)}.")
    return snapshot
