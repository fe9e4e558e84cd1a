"""The command line: options, dispatch, and the one place where errors become words and exit codes.

Commands are imported when they run, so that `wakeline ports` does not pay for the screens.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Final, NoReturn, TypeAlias

from console import __version__
from console.commands import options
from console.commands.options import address
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
        command = import_module(f"console.commands.{getattr(options, 'module', options.command)}")
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


def _add_ports(commands: _Commands) -> None:
    sub = _command(commands, "ports", "serial ports: identity, who holds them, what hinders and its cure")
    sub.add_argument("--watch", action="store_true", help="tell what plugging changes, why nothing comes (Ctrl-C ends)")
    sub.add_argument("--for", type=_seconds, default=None, dest="seconds", metavar="S", help="end the watch by itself")
    sub.add_argument("--expect", type=_usb_ids, default=None, metavar="VID:PID", help="the watch expects this device")
    sub.add_argument("--all", action="store_true", help="also ports without any device behind them")
    sub.add_argument("--baud", type=_positive_int, default=115200, help="tell what each bridge makes of this rate")


def _add_open(commands: _Commands) -> None:
    sub = _command(commands, "open", "the screens on one port", reports=False)
    _add_port_options(sub)


def _add_handshake(commands: _Commands) -> None:
    sub = _command(commands, "handshake", "listen, sync, identify; live trace, stage times, causes when it fails")
    _add_port_options(sub)
    _add_session_options(sub)
    sub.add_argument("--ask", action="store_true", help="go on: propose the next check and ask what it showed")
    sub.add_argument("--answers", metavar="FILE", default=None, help="the same, with the answers from a TOML file")


def _add_session_options(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--record", metavar="FILE", default=None, help="write a pcapng capture of the session")
    sub.add_argument("--overwrite", action="store_true", help="let --record or -o replace an existing file")
    sub.add_argument("--listen", type=_seconds, default=0.25, metavar="S", help="listen this long first (0.25 s)")


def _add_try(commands: _Commands) -> None:
    sub = _command(commands, "try", "tests the console does by itself: loop-back, echo, rates, other settings")
    sub.set_defaults(command="line_test")  # no module can be called as this word is
    _add_port_options(sub)
    sub.add_argument(
        "test",
        metavar="TEST",
        choices=("loop-back", "far-end", "echo", "echo-alone", "rates", "settings"),
        help="loop-back: TX and RX joined at the adapter, board off; far-end: joined at the end of the cable; "
        "echo: with the board on, do our own bytes come back; echo-alone: with the board off; "
        "rates: only listen, at several rates; settings: handshakes at other rates and frames",
    )
    sub.add_argument(
        "--count", type=_pattern_count, default=64, metavar="N", help="random bytes to send, 8 to 256 (64)"
    )
    sub.add_argument("--rates", type=_rates, default=None, metavar="A,B", help="rates to try instead of the usual ones")
    sub.add_argument("--seconds", type=_seconds, default=1.5, metavar="S", help="listen this long at each rate (1.5 s)")
    sub.add_argument("--record", metavar="FILE", default=None, help="write a pcapng capture of the session")
    sub.add_argument("--overwrite", action="store_true", help="let --record replace an existing file")


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


def _add_report(commands: _Commands) -> None:
    sub = _command(commands, "report", "captures as one page to read, print and pass on (HTML without scripts)")
    sub.add_argument("file", metavar="FILE", nargs="+", help="one capture, or several for a batch")
    sub.add_argument("-o", "--output", metavar="OUT", default="-", help="file to write (default: standard output)")
    sub.add_argument("--overwrite", action="store_true", help="replace an existing file")
    sub.add_argument("--text", action="store_true", help="the same as plain text")
    sub.add_argument("--title", default=None, help="heading of the page (default: names the capture)")
    sub.add_argument("--photo", metavar="NAME", action="append", default=None, help="a photo to name; repeatable")


def _add_image(commands: _Commands) -> None:
    from console.images.load import FORMATS

    sub = _command(commands, "image", "what a firmware file holds, and whether it fits a chip")
    sub.add_argument("file", metavar="FILE", help="Intel HEX, S-records, ELF, or raw data with --address")
    add_image_options(sub, FORMATS)


def add_image_options(sub: argparse.ArgumentParser, formats: Sequence[str]) -> None:
    """The options of every command that takes a firmware file."""
    sub.add_argument("--address", type=address, default=None, metavar="A", help="where raw data belongs: 0x0800_0000")
    sub.add_argument("--format", choices=formats, default=None, help="default: told by the file's content")
    _add_chip_options(sub)


def _add_chip_options(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--chip", default=None, metavar="CHIP", help="product id (0x410) or name of the chip")
    sub.add_argument("--chip-file", default=None, metavar="TOML", help="a description of a chip that is not known")


def _add_program(commands: _Commands) -> None:
    sub = _on_chip(commands, "program", "check an image, erase, write, read back every byte", image=True, erases=True)
    _add_plan_options(sub)
    sub.add_argument("--plan", action="store_true", help="only say what would be done")
    sub.set_defaults(yes=True)  # who gives this command has said so
    _add_backup_options(sub)
    _add_start_options(sub)


def _add_update(commands: _Commands) -> None:
    sub = _on_chip(commands, "update", "save what is there, show old and new version, ask, program, prove", image=True)
    _add_plan_options(sub)
    sub.add_argument("--version-at", type=options.place, default=None, metavar="A[:N]", help="where its text is")
    sub.add_argument("--version-pattern", type=options.pattern, default=None, metavar="REGEX", help="how it looks")
    _add_backup_options(sub)
    sub.add_argument("--yes", action="store_true", help="do not ask")
    _add_start_options(sub)


def _add_restore(commands: _Commands) -> None:
    sub = _on_chip(commands, "restore", "put back what `update` saved, and prove it", erases=True)
    sub.add_argument("backup", metavar="BACKUP", help="the file of bytes; its .toml lies beside it")
    sub.add_argument("--other-board", action="store_true", help="put it into another board of the same kind")
    sub.add_argument("--yes", action="store_true", help="do not ask")
    _add_start_options(sub)


def _add_read(commands: _Commands) -> None:
    sub = _on_chip(commands, "read", "memory into a file", proves=False)
    sub.add_argument("--address", type=address, default=None, metavar="A", help="from here (default: start of flash)")
    sub.add_argument("--length", type=address, default=None, metavar="N", help="so many bytes (default: to its end)")
    sub.add_argument("-o", "--output", required=True, metavar="FILE", help="raw bytes go here")


def _add_compare(commands: _Commands) -> None:
    sub = _on_chip(commands, "compare", "does the chip hold this image? nothing is changed", image=True)
    _add_range_option(sub)


def _add_erase(commands: _Commands) -> None:
    sub = _on_chip(commands, "erase", "erase pages or everything, and prove it", erases=True)
    sub.add_argument("--pages", type=options.pages, default=None, metavar="LIST", help="numbers: 0-3,7")
    sub.add_argument("--all", dest="everything", action="store_true", help="everything")
    sub.add_argument("--consent", type=address, default=None, metavar="ID", help="the chip's product id: do not ask")


def _on_chip(
    commands: _Commands, name: str, words: str, *, image: bool = False, erases: bool = False, proves: bool = True
) -> argparse.ArgumentParser:
    """A command that wakes a chip and reads or changes its memory."""
    sub = _command(commands, name, words)
    sub.set_defaults(module="on_chip")
    _add_port_options(sub)
    if image:
        from console.images.load import FORMATS

        sub.add_argument("image", metavar="IMAGE", help="Intel HEX, S-records, ELF, or raw data with --address")
        add_image_options(sub, FORMATS)
    else:
        _add_chip_options(sub)
    _add_session_options(sub)
    words = "where the chip can compute a checksum: prove by it, and read back only samples"
    if proves:
        sub.add_argument("--quick", action="store_true", help=words)
    else:
        sub.set_defaults(quick=False)
    sub.add_argument("--resume", action="store_true", help="a run was cut off: go on from there")
    words = "lift the readout protection, which erases the whole chip; the chip's product id is the consent"
    if erases:
        sub.add_argument(
            "--lift-protection", nargs="?", type=address, const=True, default=None, metavar="ID", help=words
        )
    else:
        sub.set_defaults(lift_protection=None)
    return sub


def _add_plan_options(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--changed-only", action="store_true", help="read first; write only what is not there yet")
    sub.add_argument("--keep-neighbours", action="store_true", help="write again what else is on erased pages")
    sub.add_argument("--no-erase", action="store_true", help="refuse if anything would have to be erased")
    sub.add_argument("--erase-all", action="store_true", help="one mass erase instead of pages")
    _add_range_option(sub)


def _add_range_option(sub: argparse.ArgumentParser) -> None:
    words = "only these bytes; repeatable"
    sub.add_argument("--range", dest="ranges", type=options.span, action="append", metavar="A:N", help=words)


def _add_backup_options(sub: argparse.ArgumentParser) -> None:
    sub.add_argument("--backup", metavar="FILE", help="where to save what is to be kept (default: a new name)")
    sub.add_argument("--no-backup", action="store_true", help="do not save it")


def _add_start_options(sub: argparse.ArgumentParser) -> None:
    words = "then start the program (default: at the start of flash) and listen"
    sub.add_argument("--start", nargs="?", type=address, const=True, default=None, metavar="A", help=words)
    sub.add_argument("--start-listen", type=_seconds, default=2.0, metavar="S", help="for its first words (2 s)")


def _add_netlist(commands: _Commands) -> None:
    sub = _command(commands, "netlist", "a board's netlist (IPC-D-356): a net, a part, or a pin and its neighbours")
    sub.add_argument("file", metavar="FILE", help="the netlist, or tern-b for the packaged example")
    what = sub.add_mutually_exclusive_group()
    what.add_argument("--net", metavar="NAME", default=None, help="one net: its pins, what lies beside them, probes")
    what.add_argument("--part", metavar="REF", default=None, help="one part: each pin, its net, where that leads")
    what.add_argument("--pin", metavar="REF.PIN", default=None, help="one pin: its net and its neighbours")


def _add_bench(commands: _Commands) -> None:
    sub = _command(commands, "bench", "a simulated board on a real port, for any program")
    sub.add_argument("--link", metavar="PATH", default=None, help="also reachable under this name")
    sub.add_argument("--scene", default=None, help="a named situation (see --list)")
    sub.add_argument(
        "--fault", action="append", default=None, help="stage a fault by cause id (see --list); repeatable"
    )
    sub.add_argument("--socket", action="store_true", help="a TCP socket on 127.0.0.1 instead of a pseudo terminal")
    sub.add_argument("--list", action="store_true", help="list scenes and faults, then leave")
    sub.add_argument(
        "--do", metavar="ACTION[=VALUE]", default=None, help="act on the bench that runs on --link, then leave"
    )


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
    "try": _add_try,
    "replay": _add_replay,
    "transcript": _add_transcript,
    "report": _add_report,
    "image": _add_image,
    "program": _add_program,
    "update": _add_update,
    "restore": _add_restore,
    "read": _add_read,
    "compare": _add_compare,
    "erase": _add_erase,
    "netlist": _add_netlist,
    "bench": _add_bench,
    "completion": _add_completion,
}


def _positive_int(text: str) -> int:
    return int(_number(text, 1, 20_000_000, "a rate from 1 to 20000000 baud", whole=True))


def _pattern_count(text: str) -> int:
    return int(_number(text, 8, 256, "a number of bytes from 8 to 256", whole=True))


def _rates(text: str) -> tuple[int, ...]:
    return tuple(_positive_int(part) for part in text.split(","))


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


def _usb_ids(text: str) -> tuple[int, int]:
    vid, _, pid = text.partition(":")
    if not all(re.fullmatch(r"[0-9a-fA-F]{1,4}", part) for part in (vid, pid)):
        raise argparse.ArgumentTypeError(f"{text!r} is not two hexadecimal ids such as 1209:0001")
    return int(vid, 16), int(pid, 16)


def _line_use(text: str) -> tuple[str, bool]:
    name = text.lower().removeprefix("~")
    if name not in ("dtr", "rts"):
        raise argparse.ArgumentTypeError(f"{text!r} is not dtr, rts, ~dtr or ~rts")
    return name, not text.startswith("~")
