"""Options of `wakeline notebook`."""

from __future__ import annotations

from argparse import ArgumentParser

from console.commands.options.files import output_options
from console.commands.options.values import count


def notebook(sub: ArgumentParser) -> None:
    """Options of `wakeline notebook`, a parser for each of its verbs."""
    verbs = sub.add_subparsers(title="what to do", metavar="WHAT", dest="verb", required=True)

    def verb(name: str, words: str) -> ArgumentParser:
        made = verbs.add_parser(name, help=words, description=words)
        made.add_argument("--notebook", metavar="FILE", default=None, help="another notebook than your own")
        made.add_argument("--json", action="store_true", help="one JSON object on standard output, nothing else")
        return made

    made = verb("list", "sessions, the latest first")
    made.add_argument(
        "search",
        metavar="WORD",
        nargs="*",
        help="only sessions that hold every word: board, part, cause, outcome, unique id, a date as 2026-03-14",
    )
    made.add_argument("--board", metavar="NAME", default="", help="only this board's")
    made.add_argument("--last", type=count, default=20, metavar="N", help="at most N sessions (20; 0 for all)")
    made = verb("show", "everything about one session, or about a board")
    made.add_argument("which", metavar="SESSION|BOARD", help="a session's number or a board's name")
    made = verb("add-fix", "note what fixed a board: of a session, or of a board's last failure")
    made.add_argument("which", metavar="SESSION|BOARD", help="a session's number or a board's name")
    made.add_argument("--cause", metavar="ID", default="", help="a cause id, as board-rx-open")
    made.add_argument("--part", metavar="REF", default="", help="the part's reference, as U4")
    made.add_argument("--joint", metavar="PIN", default="", help="the pin or joint of that part, as 17")
    made.add_argument("--note", metavar="TEXT", default="", help="anything that helps next time")
    made.add_argument("--photo", metavar="FILE", action="append", default=None, help="a photo's name; repeatable")
    made = verb("stats", "yield, Pareto of causes and parts, stage times, what was learned")
    made.add_argument("--board", metavar="NAME", default="", help="also this board against its sisters")
    made = verb("export", "everything as CSV (a row per session and fix) or JSON")
    made.add_argument("--format", choices=("csv", "json"), default="csv", help="default csv")
    output_options(made)
