"""`wakeline` without a command: the screens, on the list of ports."""

from __future__ import annotations

import sys
from argparse import Namespace

from console.errors import UsageTrouble


def run(_: Namespace) -> int:
    """Open the screens; returns the exit code."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageTrouble("no-terminal", "the screens need a terminal", help="see `wakeline --help` for commands")
    from console.screens.app import run_app

    return run_app()
