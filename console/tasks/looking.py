"""Tasks that change nothing on the chip: read memory into a file, compare it with an image."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path

from console.errors import Mismatch, UsageTrouble
from console.images.image import ADDRESS_LIMIT, Span
from console.programming.plan import Options, Plan
from console.programming.planner import make_plan
from console.programming.proof import as_text, differences
from console.programming.run import announce, compared, read_spans
from console.record.backup import check_new, write_new
from console.tasks.job import Job
from console.tasks.on_chip import Body, OnChip
from console.tasks.writing import image_words
from console.text import clean
from console.words import count_of


def read(job: Job) -> Body:
    """Memory as it is, into a file that was not there. Raises InputTrouble where it is, or cannot be made."""
    output = Path(job.output)
    check_new(output, overwrite=job.overwrite, help="choose another name or add --overwrite")

    def check(on: OnChip) -> Plan:
        _span_of(on)
        return Plan(on.chip, (), (), ())

    async def run(on: OnChip) -> None:
        span = _span_of(on)
        announce(on.session, "read", on.work.plan)
        (data,) = await read_spans(on.session, on.work, [span])
        write_new(output, data, overwrite=job.overwrite)
        on.finish("read", proven=as_text((span,)), size=span.size)
        on.more["file"] = {"path": clean(str(output)), "address": f"0x{span.start:08X}", "size": len(data)}
        on.more["file"]["sha256"] = sha256(data).hexdigest()
        on.say(f"{clean(str(output))} holds the {count_of(len(data), 'byte')} from 0x{span.start:08X}")

    return Body(check, run)


def _span_of(on: OnChip) -> Span:
    """The range asked for; the whole flash where nothing was. Raises UsageTrouble."""
    address, length, flash = on.job.address, on.job.length, on.chip.flash
    if address is None:
        address = flash.start
    if length is None:
        if not flash.holds(address):
            raise UsageTrouble("usage", "outside the flash a length is needed", help="add --length")
        length = flash.end - address
    if not 0 < length <= ADDRESS_LIMIT - address:
        words = f"there are not {count_of(length, 'byte')} from 0x{address:08X}"
        raise UsageTrouble("usage", words, help="check --length")
    if flash.holds(address) and not flash.holds(address, length):
        raise UsageTrouble(
            "usage",
            f"there are not {count_of(length, 'byte')} from 0x{address:08X}: the flash of {on.chip.name} ends at "
            f"0x{flash.end - 1:08X}",
            help=f"check --length; up to its end it is {flash.end - address}",
        )
    return Span(address, length)


def compare(job: Job) -> Body:
    """Does the chip hold this image? Raises InputTrouble and UsageTrouble for the image."""
    image = job.load()

    def check(on: OnChip) -> Plan:
        full = make_plan(image, on.chip, on.work.programmer, Options(ranges=job.spans))
        return Plan(on.chip, (), (), full.all_verifies)

    async def run(on: OnChip) -> None:
        on.more["image"] = image_words(image)
        on.work.plan = check(on)
        announce(on.session, "compare", on.work.plan, source=image.path)
        wrong = await compared(on.session, on.work)
        on.more["differences"] = [
            {"address": f"0x{each.address:08X}", "expected": each.expected, "got": each.got, "count": each.count}
            for each in wrong
        ]
        if not wrong:
            return
        raise Mismatch(
            "differs",
            f"the chip does not hold this image: {differences(wrong)}, the first at {wrong[0].where}",
            where=image.path,
            help="program it, or look whether this is the right image",
        )

    return Body(check, run)
