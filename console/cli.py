"""The command line: options, dispatch, and the one place where errors become words and exit codes.

Commands and their options are imported when they are asked for, so that `wakeline ports` does not pay for the screens.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from importlib import import_module
from typing import Final, NamedTuple, NoReturn

from console import __version__
from console.commands.printed import Printed, Unread, undelivered, unread_code
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


class _Command(NamedTuple):
    """A command: its words, its module in `commands`, and the module in `commands.options` with its options.

    The function for the options has the name of the command's module. `reports`: it knows --json. `runs`: the module
    that carries it out, where several commands share one.
    """

    words: str
    module: str
    options: str
    reports: bool = True
    runs: str = ""


_COMMANDS: Final = {  # in the order of --help
    "demo": _Command("a whole bring-up story on the simulated bench", "demo", "line"),
    "ports": _Command("serial ports: identity, who holds them, what hinders and its cure", "ports", "line"),
    "open": _Command("the screens on one port", "open", "line", reports=False),
    "handshake": _Command("listen, sync, identify; live trace, stage times, causes when it fails", "handshake", "line"),
    "try": _Command("tests the console does by itself: loop-back, echo, rates, other settings", "line_test", "line"),
    "replay": _Command("a capture again: on the screens, or as text in a pipe", "replay", "files"),
    "transcript": _Command("a capture as a readable session record", "transcript", "files"),
    "report": _Command("captures as one page to read, print and pass on (HTML without scripts)", "report", "files"),
    "image": _Command("what a firmware file holds, and whether it fits a chip", "image", "files"),
    "program": _Command("check an image, erase, write, read back every byte", "program", "chip", runs="on_chip"),
    "update": _Command(
        "save what is there, show old and new version, ask, program, prove", "update", "chip", runs="on_chip"
    ),
    "restore": _Command("put back what `update` saved, and prove it", "restore", "chip", runs="on_chip"),
    "read": _Command("memory into a file", "read", "chip", runs="on_chip"),
    "compare": _Command("does the chip hold this image? nothing is changed", "compare", "chip", runs="on_chip"),
    "erase": _Command("erase pages or everything, and prove it", "erase", "chip", runs="on_chip"),
    "netlist": _Command(
        "a board's netlist (IPC-D-356): a net, a part, or a pin and its neighbours", "netlist", "files"
    ),
    "notebook": _Command(
        "boards, what was wrong with them, what fixed it, and the yield", "notebook", "notebook", reports=False
    ),
    "bringup": _Command("a whole board by its plan, from the first look to its box", "bringup", "board"),
    "bench": _Command("a simulated board on a real port, for any program", "bench", "line"),
    "completion": _Command("print a completion script for your shell", "completion", "shell", reports=False),
}
_UNREAD: Final = {  # the others are there for their text alone
    **dict.fromkeys(("demo", "handshake", "try", "replay"), Unread.GOES_ON),
    **dict.fromkeys(("program", "update", "restore", "read", "compare", "erase", "bringup"), Unread.TELLS),
}


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
    parser.set_defaults(command="", module="screens", json=False)
    # naming the program here spares argparse from laying out a usage text to find it
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", parser_class=_Parser, prog="wakeline")
    for name, command in _COMMANDS.items():
        if only is None or only == name:
            sub = commands.add_parser(
                name,
                help=command.words,
                description=command.words,
                epilog=_EXIT_WORDS,
                formatter_class=argparse.RawDescriptionHelpFormatter,
            )
            sub.set_defaults(command=name, module=command.runs or command.module)
            if command.reports:
                sub.add_argument("--json", action="store_true", help="one JSON object on standard output, nothing else")
            getattr(import_module(f"console.commands.options.{command.options}"), command.module)(sub)
    return parser


def run(argv: Sequence[str]) -> int:
    """Run one command line; returns the exit code. No traceback ever reaches the user's screen."""
    out, err = Printed(sys.stdout), Printed(sys.stderr, goes_on=True)
    as_json = "--json" in argv
    name = argv[0] if argv and argv[0] in _COMMANDS else None
    unread = _UNREAD.get(name or "", Unread.ENDS)
    out.goes_on = unread is not Unread.ENDS
    with redirect_stdout(out), redirect_stderr(err):
        code = unread_code(out, _run(argv, name, out, as_json), unread, as_json)
        err.flush()
        return code


def _run(argv: Sequence[str], name: str | None, out: Printed, as_json: bool) -> int:
    try:
        options = build_parser(name).parse_args(argv)
        command = import_module(f"console.commands.{options.module}")
        code = int(command.run(options))
        out.flush()
        return code
    except SystemExit:  # --help and --version, told by the library
        out.goes_on = True
        out.flush()
        raise
    except WakelineError as error:
        return _tell(error, as_json, out)
    except KeyboardInterrupt:
        return _tell(Stopped("stopped", "stopped by the user", help="start again when ready"), as_json, out)
    except Exception as error:
        if error is out.lost:  # of a command that is there for its text alone
            return 0 if isinstance(error, BrokenPipeError) else _tell(undelivered(error), False, out)
        from console.mistake import mistake

        return _tell(mistake(error), as_json, out)


def _tell(error: WakelineError, as_json: bool, out: Printed) -> int:
    out.goes_on = True  # the exit code is this error's, whoever reads its words
    if as_json:
        from console.summary import dumps, error_object

        print(dumps(error_object(error)))
    else:
        print("\n".join(error.lines()), file=sys.stderr)
    out.flush()
    return error.outcome.exit_code
