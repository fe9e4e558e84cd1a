"""Options of the command that brings a whole board up."""

from __future__ import annotations

import argparse


def bringup(sub: argparse.ArgumentParser) -> None:
    """`wakeline bringup`."""
    sub.add_argument("board", metavar="BOARD", help="a board file, or tern-b for the packaged example")
    sub.add_argument("--check", action="store_true", help="only read the file and say what is in it, without a port")
    sub.add_argument("--port", default=None, metavar="PORT", help="the board's port")
    words = "the simulated bench instead, with its own hands; what `wakeline bench --list` names is staged; repeatable"
    sub.add_argument("--bench", action="append", nargs="?", const="", default=None, metavar="FAULT", help=words)
    sub.add_argument("--from", dest="start_at", default=None, metavar="STAGE", help="take all before it as passed")
    sub.add_argument("--serial", default=None, metavar="NO", help="the board's serial number: names it in the notebook")
    words = "another notebook than your own; made if it is not there"
    sub.add_argument("--notebook", metavar="FILE", default=None, help=words)
    words = "as text: ask at each step what it showed; with --bench the board is simulated and you answer"
    sub.add_argument("--ask", action="store_true", help=words)
    sub.add_argument("--answers", metavar="FILE", default=None, help="the same, with the answers from a TOML file")
    sub.add_argument(
        "--record", metavar="FILE", default=None, help="write a pcapng capture; a folder: named by board and number"
    )
    sub.add_argument("--overwrite", action="store_true", help="let --record replace an existing file")
