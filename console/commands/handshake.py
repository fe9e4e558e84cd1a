"""`wakeline handshake PORT`: listen, sync, identify, with the live trace and the causes when it fails."""

from __future__ import annotations

import asyncio
import sys
from argparse import Namespace

from console.commands.attempt import LiveText, opened, settings_from
from console.errors import PortTrouble
from console.snapshot import Fold, Snapshot, exit_code
from console.summary import as_object, dumps, error_object, verdict_lines


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    try:
        snapshot = asyncio.run(_attempt(options))
    except PortTrouble as trouble:
        if not options.json:
            raise
        print(dumps(error_object(trouble, options.port)))
        return trouble.outcome.exit_code
    print(dumps(as_object(snapshot)) if options.json else "\n".join(verdict_lines(snapshot)))
    return exit_code(snapshot)


async def _attempt(options: Namespace) -> Snapshot:
    def live(fold: Fold) -> LiveText:
        return LiveText(fold, sys.stdout)

    async with opened(
        settings_from(options),
        options.family,
        record=options.record,
        overwrite=options.overwrite,
        live=None if options.json else live,
    ) as attempt:
        await attempt.session.handshake(options.listen)
    return attempt.fold.snapshot()
