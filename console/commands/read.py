"""`wakeline read PORT -o FILE`: memory as it is, into a file that was not there."""

from __future__ import annotations

from argparse import Namespace
from hashlib import sha256
from pathlib import Path

from console.commands.on_chip import OnChip, run_on_chip
from console.errors import InputTrouble, UsageTrouble
from console.images.image import ADDRESS_LIMIT, Span
from console.programming.plan import Plan
from console.programming.proof import as_text
from console.programming.run import announce, read_spans
from console.record.backup import write_new
from console.text import clean


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    output = Path(options.output)
    if output.exists() and not options.overwrite:  # before the chip is read, not after
        raise InputTrouble(
            "output-exists",
            "the file is there already",
            where=clean(str(output)),
            help="choose another name or add --overwrite",
        )

    async def body(on: OnChip) -> None:
        span = span_of(on)
        on.work.plan = Plan(on.chip, (), (), ())
        announce(on.session, "read", on.work.plan)
        (data,) = await read_spans(on.session, on.work, [span])
        write_new(output, data, overwrite=options.overwrite)
        on.finish("read", proven=as_text((span,)), size=span.size)
        on.more["file"] = {"path": clean(str(output)), "address": f"0x{span.start:08X}", "size": len(data)}
        on.more["file"]["sha256"] = sha256(data).hexdigest()
        on.say(f"{len(data)} bytes from 0x{span.start:08X} are in {clean(str(output))}")

    return run_on_chip(options, body)


def span_of(on: OnChip) -> Span:
    """The range asked for; the whole flash where nothing was. Raises UsageTrouble."""
    address, length = on.options.address, on.options.length
    if address is None:
        address = on.chip.flash_start
    if length is None:
        if not on.chip.flash.holds(address):
            raise UsageTrouble("usage", "outside the flash a length is needed", help="add --length")
        length = on.chip.flash.end - address
    if not 0 < length <= ADDRESS_LIMIT - address:
        raise UsageTrouble("usage", f"there are no {length} bytes from 0x{address:08X}", help="check --length")
    return Span(address, length)
