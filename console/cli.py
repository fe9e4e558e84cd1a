"""The command line: options, dispatch, and the one place where errors become words and exit codes.

Commands are imported when they run, so that `wakeline ports` does not pay for the screens.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Final, NoReturn, TypeAlias

from console import __version__
from console.errors import Stopped, UsageTrouble, WakelineError

_EXIT_WORDS: Final = """exit codes:
  0 done and proven      1 internal error       2 usage
  3 no answer            4 target refused       5 mismatch on read-back
  6 port trouble         7 bad input file       8 stopped by the user

PORT is what the system calls it (/dev/ttyUSB0, COM5), a link made by `wakeline bench`, or socket://HOST:PORT.
"""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise UsageTrouble("usage", message, help=f"see `{self.prog} --help`")


_Commands: TypeAlias = "argparse._SubParsersAction[_Parser]"


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The command line as a parser (also the source of shell completion and of README's test).

    With `only`, the other commands are left out: they cost time that `wakeline ports` should not pay.
    """
    parser = _Parser(
        prog="wakeline",
        description="Wake a freshly soldered board's boot ROM over a serial port, see every byte and what it means, "
        "and be told which wire or joint to look at. Without a command: the screens, on the list of ports.",
        epilog=_EXIT_WORDS,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"wakeline {__version__}")
    parser.set_defaults(command="screens", json=False)
    # naming the program here spares argparse from laying out a usage text to find it
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", parser_class=_Parser, prog="wakeline")
    for name, add in _COMMANDS.items():
        if only is None or only == name:
            add(commands)
    return parser


def run(argv: Sequence[str]) -> int:
    """Run one command line; returns the exit code. No traceback ever reaches the user's screen."""
    as_json = "--json" in argv
    try:
        options = build_parser(argv[0] if argv and argv[0] in _COMMANDS else None).parse_args(argv)
        command = import_module(f"console.commands.{options.command}")
        return int(command.run(options))
    except WakelineError as error:
        return _tell(error, as_json)
    except KeyboardInterrupt:
        return _tell(Stopped("stopped", "stopped by the user", help="start again when ready"), as_json)
    except BrokenPipeError:
        # the reader of our output left; point stdout elsewhere so that the interpreter's last flush stays silent
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception:
        import tempfile
        import traceback

        with tempfile.NamedTemporaryFile(
            "w", prefix="wakeline-internal-", suffix=".txt", delete=False, encoding="utf-8", errors="backslashreplace"
        ) as report:
            traceback.print_exc(file=report)
        trouble = WakelineError(
            "internal", "wakeline made a mistake", where=report.name, help="please report it with that file"
        )
        return _tell(trouble, as_json)


def _tell(error: WakelineError, as_json: bool) -> int:
    if as_json:
        from console.summary import dumps, error_object

        print(dumps(error_object(error)))
    else:
        print("\n".join(error.lines()), file=sys.stderr)
    return error.outcome.exit_code


# ---------------------------------------------------------------------- one function per command, in --help's order


def _add_demo(commands: _Commands) -> None:
    sub = _command(commands, "demo", "a whole bring-up story on the simulated bench")
    sub.add_argument("--scene", default="tern-07", help="which story (default tern-07)")
    sub.add_argument("--headless", action="store_true", help="as text even on a terminal")
    sub.add_argument("--notebook", metavar="FILE", default=None, help="keep the story there (never in your own)")


def _add_ports(commands: _Commands) -> None:
    sub = _command(commands, "ports", "serial ports: identity, who holds them, what hinders and its cure")
    sub.add_argument("--watch", action="store_true", help="go on and tell what appears and vanishes (Ctrl-C ends)")
    sub.add_argument("--all", action="store_true", help="also ports without any device behind them")


def _add_open(commands: _Commands) -> None:
    sub = _command(commands, "open", "the screens on one port", reports=False)
    _add_port_options(sub)


def _add_handshake(commands: _Commands) -> None:
    sub = _command(commands, "handshake", "listen, sync, identify; live trace, stage times, causes when it fails")
    _add_port_options(sub)
    sub.add_argument("--record", metavar="FILE", default=None, help="write a pcapng capture of the session")
    sub.add_argument("--overwrite", action="store_true", help="let --record replace an existing file")
    sub.add_argument("--listen", type=_seconds, default=0.25, metavar="S", help="listen this long first (0.25 s)")


def _add_port_options(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("port", metavar="PORT", help="the port to open")
    sub.add_argument("--baud", type=_positive_int, default=None, help="line rate (default: the protocol's, 115200)")
    sub.add_argument("--parity", choices=("even", "none", "odd"), default=None, help="default: the protocol's, even")
    sub.add_argument("--family", default="an3155", help="boot protocol (default an3155)")
    wake = sub.add_argument_group("wake lines", "only if DTR/RTS of the adapter are wired to the board")
    words = "dtr, rts, or with a leading ~ where the line is inverted on the way"
    wake.add_argument("--reset-line", type=_line_use, default=None, metavar="LINE", help=f"resets the board: {words}")
    wake.add_argument("--strap-line", type=_line_use, default=None, metavar="LINE", help="sets the boot strap: same")
    wake.add_argument("--hold", type=_seconds, default=0.1, metavar="S", help="how long reset stays active (0.1 s)")
    wake.add_argument("--settle", type=_seconds, default=0.1, metavar="S", help="pause after its release (0.1 s)")
    notes = sub.add_argument_group("notebook", "your own notebook is used if it is there; naming a board begins it")
    notes.add_argument("--board", metavar="NAME", default=None, help="your own name for the board, as tern-07")
    notes.add_argument("--revision", metavar="REV", default=None, help="the board's revision")
    notes.add_argument("--notebook", metavar="FILE", default=None, help="another notebook; made if it is not there")


def _add_replay(commands: _Commands) -> None:
    sub = _command(commands, "replay", "a capture again: on the screens, or as text in a pipe")
    sub.add_argument("file", metavar="FILE")
    sub.add_argument("--speed", type=_speed, default=None, metavar="X", help="times real time (text: default at once)")
    sub.add_argument("--text", action="store_true", help="as text even on a terminal")


def _add_transcript(commands: _Commands) -> None:
    sub = _command(commands, "transcript", "a capture as a readable session record")
    sub.add_argument("file", metavar="FILE")
    sub.add_argument("-o", "--output", metavar="OUT", default="-", help="file to write (default: standard output)")
    sub.add_argument("--overwrite", action="store_true", help="replace an existing file")


def _add_bench(commands: _Commands) -> None:
    sub = _command(commands, "bench", "a simulated board on a real port, for any program")
    sub.add_argument("--link", metavar="PATH", default=None, help="also reachable under this name")
    sub.add_argument("--scene", default=None, help="a named situation (see --list)")
    sub.add_argument(
        "--fault", action="append", default=None, help="stage a fault by cause id (see --list); repeatable"
    )
    sub.add_argument("--socket", action="store_true", help="a TCP socket on 127.0.0.1 instead of a pseudo terminal")
    sub.add_argument("--list", action="store_true", help="list scenes and faults, then leave")
    sub.add_argument("--do", metavar="ACTION", default=None, help="act on the bench that runs on --link, then leave")


def _add_notebook(commands: _Commands) -> None:
    sub = _command(
        commands, "notebook", "boards, what was wrong with them, what fixed it, and the yield", reports=False
    )
    verbs = sub.add_subparsers(title="what to do", metavar="WHAT", dest="verb", required=True, parser_class=_Parser)

    def verb(name: str, words: str) -> argparse.ArgumentParser:
        made = verbs.add_parser(name, help=words, description=words)
        made.add_argument("--notebook", metavar="FILE", default=None, help="another notebook than your own")
        made.add_argument("--json", action="store_true", help="one JSON object on standard output, nothing else")
        return made

    made = verb("list", "sessions, the latest first")
    made.add_argument("search", metavar="WORD", nargs="*", help="only sessions that hold every word")
    made.add_argument("--board", metavar="NAME", default="", help="only this board's")
    made.add_argument("--last", type=_count, default=20, metavar="N", help="at most N sessions (20; 0 for all)")
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
    made.add_argument("-o", "--output", metavar="OUT", default="-", help="file to write (default: standard output)")
    made.add_argument("--overwrite", action="store_true", help="replace an existing file")


def _add_completion(commands: _Commands) -> None:
    sub = _command(commands, "completion", "print a completion script for your shell", reports=False)
    sub.add_argument("shell", choices=("bash", "zsh", "tcsh"))


def _command(commands: _Commands, name: str, words: str, *, reports: bool = True) -> argparse.ArgumentParser:
    sub = commands.add_parser(
        name, help=words, description=words, epilog=_EXIT_WORDS, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    sub.set_defaults(command=name)
    if reports:
        sub.add_argument("--json", action="store_true", help="one JSON object on standard output, nothing else")
    return sub


_COMMANDS: Final = {
    "demo": _add_demo,
    "ports": _add_ports,
    "open": _add_open,
    "handshake": _add_handshake,
    "replay": _add_replay,
    "transcript": _add_transcript,
    "notebook": _add_notebook,
    "bench": _add_bench,
    "completion": _add_completion,
}


def _positive_int(text: str) -> int:
    return int(_number(text, 1, 20_000_000, "a rate from 1 to 20000000 baud", whole=True))


def _count(text: str) -> int:
    return int(_number(text, 0, 10_000_000, "a whole number from 0", whole=True))


def _seconds(text: str) -> float:
    return _number(text, 0, 3600, "a time from 0 to 3600 seconds")


def _speed(text: str) -> float:
    return _number(text, 0.001, 1e6, "a speed from 0.001 to 1000000")


def _number(text: str, least: float, most: float, words: str, *, whole: bool = False) -> float:
    try:
        value = int(text) if whole else float(text)
    except ValueError:
        value = least - 1
    if not least <= value <= most:  # also refuses nan
        raise argparse.ArgumentTypeError(f"{text!r} is not {words}")
    return value


def _line_use(text: str) -> tuple[str, bool]:
    name = text.lower().removeprefix("~")
    if name not in ("dtr", "rts"):
        raise argparse.ArgumentTypeError(f"{text!r} is not dtr, rts, ~dtr or ~rts")
    return name, not text.startswith("~")
