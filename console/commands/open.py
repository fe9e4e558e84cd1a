"""`wakeline open PORT`: the screens on one port, with the rate, frame and wake lines that the options say."""

from __future__ import annotations

import sys
from argparse import Namespace

from console.commands.attempt import keeper_from, settings_from
from console.errors import UsageTrouble


def run(options: Namespace) -> int:
    """Open the screens on the port; returns the exit code of the last attempt."""
    settings = settings_from(options)
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageTrouble("no-terminal", "the screens need a terminal", help="use `wakeline handshake PORT` in a pipe")
    from console.screens.app import run_app

    return run_app(port=settings, family=options.family, keeper=keeper_from(options))
