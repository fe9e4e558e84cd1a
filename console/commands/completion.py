"""`wakeline completion SHELL`: a completion script made from the parser itself."""

from __future__ import annotations

from argparse import Namespace

import shtab


def run(options: Namespace) -> int:
    """Print the script; returns the exit code."""
    from console.cli import build_parser

    print(shtab.complete(build_parser(), shell=options.shell))
    return 0
