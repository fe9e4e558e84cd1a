"""`wakeline handshake PORT`: listen, sync, identify, with the live trace and the causes when it fails."""

from __future__ import annotations

import asyncio
import sys
from argparse import Namespace

from console.commands.attempt import LiveText, is_simulated, keeper_from, opened, settings_from
from console.errors import PortTrouble
from console.notebook.keeper import ONLY_NAMED
from console.snapshot import Fold, exit_code
from console.summary import as_object, cause_lines, dumps, verdict_lines


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    keeper = keeper_from(options)
    fold = Fold(keeper.priors)
    simulated = is_simulated(options.port)
    trouble: PortTrouble | None = None
    try:
        asyncio.run(_attempt(options, fold))
    except PortTrouble as error:
        if not len(fold.trace):  # not even a port to speak of: nothing was folded
            raise
        trouble = error
    except KeyboardInterrupt:
        if not len(fold.trace):
            raise
    snapshot = fold.snapshot()
    kept = keeper.keep(snapshot, simulated=simulated, capture=options.record or "")
    if options.json:
        notes = {} if kept is None else {"notebook": kept.as_object()}
        print(dumps(as_object(snapshot) | notes))
    elif trouble is not None:
        causes = cause_lines(snapshot) if snapshot.causes else []
        print("\n".join([*trouble.lines(), *causes]), file=sys.stderr)
    else:
        print("\n".join(verdict_lines(snapshot)))
    if kept is not None and not options.json:
        print("\n".join(["", *kept.lines()]), file=sys.stderr if kept.trouble else sys.stdout)
    elif keeper.board and simulated and not options.json:
        print(f"\nnotebook: {ONLY_NAMED}")
    return exit_code(snapshot)


async def _attempt(options: Namespace, fold: Fold) -> None:
    async with opened(
        settings_from(options),
        options.family,
        fold=fold,
        record=options.record,
        overwrite=options.overwrite,
        live=None if options.json else LiveText(fold, sys.stdout),
    ) as session:
        await session.handshake(options.listen)
