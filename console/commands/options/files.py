"""Options of the commands that read files: captures, firmware, netlists."""

from __future__ import annotations

from argparse import ArgumentParser

from console.commands.options.values import address, speed


def replay(sub: ArgumentParser) -> None:
    """Options of `wakeline replay`."""
    sub.add_argument("file", metavar="FILE")
    sub.add_argument("--speed", type=speed, default=None, metavar="X", help="times real time (text: default at once)")
    sub.add_argument("--text", action="store_true", help="as text even on a terminal")


def transcript(sub: ArgumentParser) -> None:
    """Options of `wakeline transcript`."""
    sub.add_argument("file", metavar="FILE")
    output_options(sub)


def report(sub: ArgumentParser) -> None:
    """Options of `wakeline report`."""
    sub.add_argument("file", metavar="FILE", nargs="+", help="one capture, or several for a batch")
    output_options(sub)
    sub.add_argument("--text", action="store_true", help="the same as plain text")
    sub.add_argument("--title", default=None, help="heading of the page (default: names the capture)")
    sub.add_argument("--photo", metavar="NAME", action="append", default=None, help="a photo to name; repeatable")


def image(sub: ArgumentParser) -> None:
    """Options of `wakeline image`."""
    sub.add_argument("file", metavar="FILE", help="Intel HEX, S-records, ELF, or raw data with --address")
    image_options(sub)


def netlist(sub: ArgumentParser) -> None:
    """Options of `wakeline netlist`."""
    sub.add_argument("file", metavar="FILE", help="the netlist, or tern-b for the packaged example")
    what = sub.add_mutually_exclusive_group()
    what.add_argument("--net", metavar="NAME", default=None, help="one net: its pins, what lies beside them, probes")
    what.add_argument("--part", metavar="REF", default=None, help="one part: each pin, its net, where that leads")
    what.add_argument("--pin", metavar="REF.PIN", default=None, help="one pin: its net and its neighbours")


def output_options(sub: ArgumentParser) -> None:
    """Where the result goes: standard output, or a new file."""
    sub.add_argument("-o", "--output", metavar="OUT", default="-", help="file to write (default: standard output)")
    sub.add_argument("--overwrite", action="store_true", help="replace an existing file")


def image_options(sub: ArgumentParser) -> None:
    """How a firmware file is read, and for which chip."""
    from console.images.load import FORMATS

    sub.add_argument("--address", type=address, default=None, metavar="A", help="where raw data belongs: 0x0800_0000")
    sub.add_argument("--format", choices=FORMATS, default=None, help="default: told by the file's content")
    chip_options(sub)


def chip_options(sub: ArgumentParser) -> None:
    """Which chip it is, where it does not say so itself."""
    sub.add_argument("--chip", default=None, metavar="CHIP", help="product id (0x410) or name of the chip")
    sub.add_argument("--chip-file", default=None, metavar="TOML", help="a description of a chip that is not known")
