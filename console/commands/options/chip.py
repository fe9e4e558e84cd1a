"""Options of the commands that wake a chip and read or change its memory."""

from __future__ import annotations

from argparse import ArgumentParser

from console.commands.options.files import chip_options, image_options
from console.commands.options.line import port_options, session_options
from console.commands.options.values import address, pages, pattern, place, seconds, span, volts


def program(sub: ArgumentParser) -> None:
    """Options of `wakeline program`."""
    _on_chip(sub, image=True, erases=True)
    _plan_options(sub)
    sub.add_argument("--plan", action="store_true", help="only say what would be done")
    _supply_option(sub)
    sub.set_defaults(yes=True)  # who gives this command has said so, except of what lies beside the image
    _backup_options(sub)
    _start_options(sub)


def update(sub: ArgumentParser) -> None:
    """Options of `wakeline update`."""
    _on_chip(sub, image=True)
    _plan_options(sub)
    _supply_option(sub)
    sub.add_argument("--write-anyway", action="store_true", help="write also where the chip holds the image already")
    sub.add_argument("--version-at", type=place, default=None, metavar="A[:N]", help="where its text is")
    sub.add_argument("--version-pattern", type=pattern, default=None, metavar="REGEX", help="how it looks")
    _backup_options(sub)
    sub.add_argument("--yes", action="store_true", help="do not ask (--erase-all wants --consent)")
    _start_options(sub)


def restore(sub: ArgumentParser) -> None:
    """Options of `wakeline restore`."""
    _on_chip(sub, erases=True)
    _supply_option(sub)
    sub.add_argument("backup", metavar="BACKUP", help="the file of bytes; its .toml lies beside it")
    sub.add_argument("--other-board", action="store_true", help="put it into another board of the same kind")
    sub.add_argument("--yes", action="store_true", help="do not ask")
    _start_options(sub)


def read(sub: ArgumentParser) -> None:
    """Options of `wakeline read`."""
    _on_chip(sub, proves=False)
    sub.add_argument("--address", type=address, default=None, metavar="A", help="from here (default: start of flash)")
    sub.add_argument("--length", type=address, default=None, metavar="N", help="so many bytes (default: to its end)")
    sub.add_argument("-o", "--output", required=True, metavar="FILE", help="raw bytes go here")


def compare(sub: ArgumentParser) -> None:
    """Options of `wakeline compare`."""
    _on_chip(sub, image=True)
    sub.add_argument(
        "--range", dest="ranges", type=span, action="append", metavar="A:N", help="only these bytes; repeatable"
    )


def erase(sub: ArgumentParser) -> None:
    """Options of `wakeline erase`."""
    _on_chip(sub, erases=True)
    _supply_option(sub)
    sub.add_argument("--pages", type=pages, default=None, metavar="LIST", help="numbers: 0-3,7")
    sub.add_argument("--all", dest="everything", action="store_true", help="everything")
    _consent_option(sub, "the chip's product id: do not ask")


def _on_chip(sub: ArgumentParser, *, image: bool = False, erases: bool = False, proves: bool = True) -> None:
    """Of a command that wakes a chip and reads or changes its memory."""
    port_options(sub)
    if image:
        sub.add_argument("image", metavar="IMAGE", help="Intel HEX, S-records, ELF, or raw data with --address")
        image_options(sub)
    else:
        chip_options(sub)
    session_options(sub)
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


def _plan_options(sub: ArgumentParser) -> None:
    sub.add_argument("--changed-only", action="store_true", help="read first; write only what is not there yet")
    sub.add_argument("--keep-neighbours", action="store_true", help="write again what else is on erased pages")
    sub.add_argument("--no-erase", action="store_true", help="refuse if anything would have to be erased")
    words = "one mass erase instead of pages; asks for the chip's product id"
    sub.add_argument("--erase-all", action="store_true", help=words)
    _consent_option(sub, "the chip's product id: do not ask before --erase-all")
    sub.add_argument(
        "--range", dest="ranges", type=span, action="append", metavar="A:N", help="only these bytes; repeatable"
    )


def _consent_option(sub: ArgumentParser, words: str) -> None:
    sub.add_argument("--consent", type=address, default=None, metavar="ID", help=words)


def _supply_option(sub: ArgumentParser) -> None:
    words = (
        "measured at the chip: F2, F4 and F7 erase and write faster when they are told (2.7 to 3.6 V); wrong, it spoils"
    )
    sub.add_argument("--supply-volts", type=volts, default=None, metavar="V", help=words)


def _backup_options(sub: ArgumentParser) -> None:
    sub.add_argument("--backup", metavar="FILE", help="where to save what is to be kept (default: a new name)")
    sub.add_argument("--no-backup", action="store_true", help="do not save it")


def _start_options(sub: ArgumentParser) -> None:
    words = "then start the program (default: at the start of flash) and listen"
    sub.add_argument("--start", nargs="?", type=address, const=True, default=None, metavar="A", help=words)
    sub.add_argument("--start-listen", type=seconds, default=2.0, metavar="S", help="for its first words (2 s)")
