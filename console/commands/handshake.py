"""`wakeline handshake PORT`: listen, sync, identify, with the live trace and the causes when it fails."""

from __future__ import annotations

import asyncio
import sys
from argparse import Namespace
from collections.abc import Coroutine
from typing import Any

from console.commands.attempt import LiveText, opened, settings_from
from console.errors import PortTrouble
from console.snapshot import Fold, exit_code
from console.summary import as_object, cause_lines, dumps, verdict_lines


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    fold = Fold()
    return tell(options, fold, _attempt(options, fold))


def tell(options: Namespace, fold: Fold, work: Coroutine[Any, Any, None]) -> int:
    """Do `work`, which fills the fold, and tell how it ended as text or JSON; returns the exit code."""
    trouble: PortTrouble | None = None
    try:
        asyncio.run(work)
    except PortTrouble as error:
        if not len(fold.trace):  # not even a port to speak of: nothing was folded
            raise
        trouble = error
    except KeyboardInterrupt:
        if not len(fold.trace):
            raise
    snapshot = fold.snapshot()
    if options.json:
        print(dumps(as_object(snapshot)))
    elif trouble is not None:
        causes = cause_lines(snapshot) if snapshot.causes else []
        print("\n".join([*trouble.lines(), *causes]), file=sys.stderr)
    else:
        print("\n".join(verdict_lines(snapshot)))
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
