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
from console.bench.scenes import Scene, scene
from console.commands.attempt import LiveText, opened
from console.commands.hands import BenchHands
from console.errors import Outcome
from console.link.base import LinkSettings
from console.operating import walk
from console.snapshot import Fold, Snapshot, exit_code
from console.summary import as_object, dumps, product_text, step_lines

Say = Callable[[str], None]


def run(options: Namespace) -> int:
    """Run the command; returns the exit code of the last attempt."""
    chosen = scene(options.scene)
    keeper = None
    if options.notebook is not None:  # the story stays the same whatever the user's own notebook has learned
        from console.notebook.keeper import Keeper

        keeper = Keeper(Path(options.notebook), board=chosen.name)
    if sys.stdout.isatty() and sys.stdin.isatty() and not (options.headless or options.json):
        from console.screens.app import run_app

        if chosen.board:
            from console.screens.plan_source import scene_source

            return run_app(plan=scene_source(chosen, keeper), keeper=keeper)
        return run_app(demo=True, scene=chosen.name, keeper=keeper)
    say: Say = (lambda _: None) if options.json else (lambda text: print(text, flush=True))
    fold = Fold(None if keeper is None else keeper.priors)
    telling = tell_board(chosen, say, fold) if chosen.board else tell(chosen, say, fold, show_trace=not options.json)
    snapshot = asyncio.run(telling)
    kept = None if keeper is None else keeper.keep(snapshot)
    if options.json:
        notes = {} if kept is None else {"notebook": kept.as_object()}
        print(dumps(as_object(snapshot) | notes))
    elif kept is not None:
        say("\n".join(["", *kept.lines()]))
    return exit_code(snapshot)


async def tell(story: Scene, say: Say, fold: Fold, *, show_trace: bool) -> Snapshot:
    """Play the story once into `fold`: attempt, verdict, do what the tool says, repeat. Returns the last picture."""
    say(story.title)
    async with SimulatedBench() as bench:
        await bench.start(scene=story.name)
        say(f"The board is connected to {bench.port}. First attempt:\n")
        live = LiveText(fold, sys.stdout) if show_trace else None

        def show(snapshot: Snapshot, attempted: bool) -> None:
            if live is not None:
                live.flush()
            say("\n".join(step_lines(snapshot, attempted)))

        async with opened(LinkSettings(port=bench.port), fold=fold, live=live) as session:
            await walk(session, fold, BenchHands(bench.act, say), show)
    snapshot = fold.snapshot()
    if snapshot.outcome is Outcome.OK and snapshot.identity is not None:
        say(f"\nThe board is awake and identified: product id {product_text(snapshot.identity)}.")
    return snapshot


async def tell_board(story: Scene, say: Say, fold: Fold) -> Snapshot:
    """Follow a whole board's plan once into `fold`, from the first look to its box. Returns the last picture."""
    from console.boards.board_file import load_board
    from console.bringup.words import report_lines
    from console.commands.board_run import carry_out, on_bench

    say(story.title)
    plan = load_board(story.board)
    async with on_bench([story.name], plan, say) as place:
        say(f"The board is connected to {place.port}; its power is off. The plan:\n")
        await carry_out(plan, place, fold, say, serial=story.name)
    snapshot = fold.snapshot()
    if snapshot.bringup is not None:
        say("\n".join(["", *report_lines(snapshot.bringup)]))
    return snapshot
