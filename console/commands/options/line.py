"""Options of the commands that open a port, find one, or make one."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Final

from console.commands.options.values import line_use, pattern_count, rate, rates, seconds, usb_ids


def demo(sub: ArgumentParser) -> None:
    """Options of `wakeline demo`."""
    sub.add_argument(
        "--scene",
        default="tern-07",
        help="which story, as in `wakeline bench --list` (default tern-07); tern-21 and tern-24 are whole boards",
    )
    sub.add_argument("--headless", action="store_true", help="as text even on a terminal")
    sub.add_argument("--notebook", metavar="FILE", default=None, help="keep the story there (never in your own)")


def ports(sub: ArgumentParser) -> None:
    """Options of `wakeline ports`."""
    sub.add_argument("--watch", action="store_true", help="tell what plugging changes, why nothing comes (Ctrl-C ends)")
    sub.add_argument("--for", type=seconds, default=None, dest="seconds", metavar="S", help="end the watch by itself")
    sub.add_argument("--expect", type=usb_ids, default=None, metavar="VID:PID", help="the watch expects this device")
    sub.add_argument("--all", action="store_true", help="also ports without any device behind them")
    sub.add_argument("--baud", type=rate, default=115200, help="tell what each bridge makes of this rate")


def open(sub: ArgumentParser) -> None:
    """Options of `wakeline open`."""
    port_options(sub)


# why no other second byte will do: `protocols/an3155/contact.py`
_CUT_FIRST: Final = """\
caution: a board on which a run was cut off (program killed, cable pulled) may wait for the rest of
a command, and the second byte of the sync can complete it: one page is erased. Reset such a board
before its first handshake, or go on with the command that was cut off and --resume."""


def handshake(sub: ArgumentParser) -> None:
    """Options of `wakeline handshake`."""
    sub.description = f"{sub.description}\n\n{_CUT_FIRST}"
    port_options(sub)
    session_options(sub)
    sub.add_argument("--ask", action="store_true", help="go on: propose the next check and ask what it showed")
    sub.add_argument("--answers", metavar="FILE", default=None, help="the same, with the answers from a TOML file")


def line_test(sub: ArgumentParser) -> None:
    """Options of `wakeline try`."""
    port_options(sub)
    sub.add_argument(
        "test",
        metavar="TEST",
        choices=("loop-back", "far-end", "echo", "echo-alone", "rates", "settings"),
        help="loop-back: TX and RX joined at the adapter, board off; far-end: joined at the end of the cable; "
        "echo: with the board on, do our own bytes come back; echo-alone: with the board off; "
        "rates: only listen, at several rates; settings: handshakes at other rates and frames",
    )
    sub.add_argument("--count", type=pattern_count, default=64, metavar="N", help="random bytes to send, 8 to 256 (64)")
    sub.add_argument("--rates", type=rates, default=None, metavar="A,B", help="rates to try instead of the usual ones")
    sub.add_argument("--seconds", type=seconds, default=1.5, metavar="S", help="listen this long at each rate (1.5 s)")
    record_options(sub)


def bench(sub: ArgumentParser) -> None:
    """Options of `wakeline bench`."""
    sub.add_argument("--link", metavar="PATH", default=None, help="also reachable under this name")
    sub.add_argument("--scene", default=None, help="a named situation (see --list)")
    sub.add_argument("--fault", action="append", default=None, help="stage a fault or a flaw (see --list); repeatable")
    sub.add_argument("--chip", default=None, help="the chip on the board (see --list; default: a medium density F10x)")
    sub.add_argument("--socket", action="store_true", help="a TCP socket on 127.0.0.1 instead of a pseudo terminal")
    sub.add_argument("--list", action="store_true", help="list scenes, faults and chips, then leave")
    sub.add_argument(
        "--do", metavar="ACTION[=VALUE]", default=None, help="act on the bench that runs on --link, then leave"
    )


def port_options(sub: ArgumentParser) -> None:
    """Which port, how it is opened, and whose board is behind it."""
    sub.add_argument("port", metavar="PORT", help="the port to open")
    sub.add_argument("--baud", type=rate, default=None, help="line rate (default: the protocol's, 115200)")
    sub.add_argument("--parity", choices=("even", "none", "odd"), default=None, help="default: the protocol's, even")
    sub.add_argument("--family", default="an3155", help="boot protocol (default an3155)")
    wake = sub.add_argument_group("wake lines", "only if DTR/RTS of the adapter are wired to the board")
    words = "dtr, rts, or with a leading ~ where the line is inverted on the way"
    wake.add_argument("--reset-line", type=line_use, default=None, metavar="LINE", help=f"resets the board: {words}")
    wake.add_argument("--strap-line", type=line_use, default=None, metavar="LINE", help="sets the boot strap: same")
    wake.add_argument("--hold", type=seconds, default=0.1, metavar="S", help="how long reset stays active (0.1 s)")
    wake.add_argument("--settle", type=seconds, default=0.1, metavar="S", help="pause after its release (0.1 s)")
    notes = sub.add_argument_group("notebook", "your own notebook is used if it is there; naming a board begins it")
    notes.add_argument("--board", metavar="NAME", default=None, help="your own name for the board, as tern-07")
    notes.add_argument("--design", metavar="NAME", default=None, help="what it is built to, as tern; a plan names it")
    notes.add_argument("--revision", metavar="REV", default=None, help="the board's revision")
    notes.add_argument("--notebook", metavar="FILE", default=None, help="another notebook; made if it is not there")


def record_options(sub: ArgumentParser) -> None:
    """Where the session is recorded."""
    sub.add_argument("--record", metavar="FILE", default=None, help="write a pcapng capture of the session")
    sub.add_argument("--overwrite", action="store_true", help="let --record or -o replace an existing file")


def session_options(sub: ArgumentParser) -> None:
    """Where it is recorded, and how a handshake begins."""
    record_options(sub)
    sub.add_argument("--listen", type=seconds, default=0.25, metavar="S", help="listen this long first (0.25 s)")
