"""Does an image fit a chip: where its parts would go, and whether its vector table can start anything. Pure.

Source for the vector table: ARMv6-M and ARMv7-M Architecture Reference Manuals (DDI 0419, DDI 0403), "The vector
table": word 0 is the initial main stack pointer (its two lowest bits are always zero), word 1 the reset vector, whose
bit 0 must be one (thumb); "Vector Table Offset Register": bits 6 to 0 of a table's address are zero. Source for stacks
in 8 byte steps: Procedure Call Standard for the Arm Architecture.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Final

from console.errors import InputTrouble
from console.images.image import Image, Segment, Span
from console.programming.chips import Chip
from console.words import count_of, size

# DDI 0403, "The system address map": SRAM is 0x20000000 to 0x3FFFFFFF; RAM at the core's own bus from 0x10000000 on is
# what chips of these families have there
_ANY_RAM: Final = (Span(0x2000_0000, 0x2000_0000), Span(0x1000_0000, 0x10_0000))
_TABLE_STEP: Final = 128
_ERASED_WORDS: Final = (0xFFFF_FFFF, 0)


class Severity(StrEnum):
    """What a finding means for writing the image."""

    STOPS = "stops"
    WARNS = "warns"
    FINE = "fine"


# what lies in these fields of a chip, the narrower before the wider
_RULES: Final = {
    "loader_ram": (
        Severity.STOPS,
        "loader-ram",
        "in RAM that the boot loader uses itself",
        "link what is loaded into RAM for a higher address",
    ),
    "core_ram": (
        Severity.STOPS,
        "core-ram",
        "in RAM that the boot loader cannot write",
        "link it for other RAM, or let the program copy it there",
    ),
    "ram": (
        Severity.WARNS,
        "ram",
        "in RAM, gone when power goes",
        "right for a program that is only tried; otherwise link it for the flash",
    ),
    "option_bytes": (
        Severity.STOPS,
        "option-bytes",
        "in the option bytes, which can lock the chip for good",
        "take that part out of the image; option bytes are not written with a program",
    ),
    "system_memory": (
        Severity.STOPS,
        "system-memory",
        "in the boot loader's own ROM",
        "link the program for the flash",
    ),
}


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about how the image fits. `code` is stable; `help` is what to do about it."""

    severity: Severity
    code: str
    words: str
    address: int | None = None
    help: str = ""


@dataclass(frozen=True, slots=True)
class Vectors:
    """The first two words of a vector table at `address`."""

    address: int
    stack_pointer: int
    reset: int


def fits(findings: Iterable[Finding]) -> bool:
    """Whether nothing stops."""
    return all(finding.severity != Severity.STOPS for finding in findings)


def fit_trouble(image: Image, chip: Chip | None, findings: tuple[Finding, ...]) -> InputTrouble | None:
    """Why the image must not be written to this chip; None if nothing stops it."""
    stops = [finding for finding in findings if finding.severity == Severity.STOPS]
    if chip is None or not stops:
        return None
    words = stops[0].words + (f", and {count_of(len(stops) - 1, 'thing')} more" if len(stops) > 1 else "")
    return InputTrouble(
        "image-fit", f"this image does not fit {chip.name}: {words}", where=image.path, help=stops[0].help
    )


def vectors(image: Image, chip: Chip | None = None) -> Vectors | None:
    """The vector table at the start of the chip's flash, or of the image where no chip is known.

    None where the image has no eight bytes there.
    """
    address = image.start if chip is None else chip.flash_start
    stack_pointer, reset = image.word(address), image.word(address + 4)
    return None if stack_pointer is None or reset is None else Vectors(address, stack_pointer, reset)


def check_layout(image: Image, chip: Chip | None = None) -> tuple[Finding, ...]:
    """Everything to be said about the image on this chip (or on none in particular), in address order per subject."""
    if chip is None:
        return tuple(_vector_findings(image, None))
    found = [finding for segment in image.segments for finding in _place(segment, chip)]
    in_flash = [part for segment in image.segments if (part := segment.span.overlap(chip.flash))]
    if in_flash:
        found += _flash(in_flash, chip)
        found += _vector_findings(image, chip)
    elif not any(finding.severity == Severity.STOPS for finding in found):
        found.append(Finding(Severity.WARNS, "ram-only", "nothing of the image goes into the flash", image.start))
    return tuple(found)


def _place(segment: Segment, chip: Chip) -> Iterator[Finding]:
    """What lies where it may not, or where it should be known to lie."""
    left = [segment.span]
    for field, rule in _RULES.items():
        for part in getattr(chip, field):
            for common in filter(None, [span.overlap(part) for span in left]):
                severity, code, words, help = rule
                yield Finding(severity, code, f"{size(common.size)} {words}", common.start, help)
            left = [rest for span in left for rest in span.without(part)]
    left = [rest for span in left for rest in span.without(chip.flash)]
    for span in left:
        yield _outside(span, chip)


def _outside(span: Span, chip: Chip) -> Finding:
    if span.start == chip.flash.end:
        words = f"{size(span.size)} more than the flash of {chip.name} has, which ends at 0x{chip.flash.end:08X}"
        return Finding(Severity.STOPS, "too-large", words, span.start, "make the program smaller, or look at the chip")
    words = f"{size(span.size)} where {chip.name} has no memory to write"
    help = f"link the program for the flash, which begins at 0x{chip.flash_start:08X}"
    if span.start < chip.flash_size and span.end <= chip.flash_size:
        # the flash appears at 0 too when the chip runs from it, but the loader writes it at its own address only
        help += "; address 0 only mirrors it"
    return Finding(Severity.STOPS, "outside", words, span.start, help)


def _flash(parts: list[Span], chip: Chip) -> Iterator[Finding]:
    numbers = chip.pages_covering(parts)
    total = sum(part.size for part in parts)
    names = f"{chip.unit} {numbers[0]}" if len(numbers) == 1 else f"{chip.unit}s {_runs(numbers)}"
    words = f"{size(total)} of {size(chip.flash_size)} flash, in {names}"
    yield Finding(Severity.FINE, "flash", words, parts[0].start)
    smallest = chip.flash_start + chip.least_flash_size
    if parts[-1].end > smallest:
        words = f"needs more flash than the smallest {chip.name} has ({size(chip.least_flash_size)})"
        yield Finding(
            Severity.WARNS,
            "beyond-smallest",
            words,
            max(smallest, parts[-1].start),
            "look at the full type on the chip",
        )
    ragged = [part for part in parts if part.start % chip.granule or part.end % chip.granule]
    if ragged:
        filled = f"{count_of(len(ragged), 'part')} filled up with {chip.erased:02X}"
        words = f"written in units of {size(chip.granule)}; {filled}"
        yield Finding(Severity.FINE, "padded", words, ragged[0].start)
    shared = [b for a, b in pairwise(parts) if (a.end - 1) // chip.granule == b.start // chip.granule]
    if shared:
        words = f"{count_of(len(shared), 'part')} in the same unit of {chip.granule} bytes as the one before"
        yield Finding(Severity.FINE, "shared-unit", words, shared[0].start)
    gaps = [Span(a.end, b.start - a.end) for a, b in pairwise(parts)]
    if gaps:
        words = f"{count_of(len(gaps), 'gap')}, {size(sum(gap.size for gap in gaps))} that are not written"
        yield Finding(Severity.FINE, "gap", words, gaps[0].start)


def _vector_findings(image: Image, chip: Chip | None) -> Iterator[Finding]:
    table = vectors(image, chip)
    ram = _ANY_RAM if chip is None else (*chip.ram, *chip.core_ram)
    if chip is None:
        severity, help = (
            Severity.WARNS,
            "right for data; for a program look at the link script, or at --address for raw data",
        )
    else:
        severity, help = Severity.STOPS, "look at the link script, or at --address for raw data"
    if table is None:
        at = image.start if chip is None else chip.flash_start
        words = "no vector table where the chip looks for it" if chip else "too short for a vector table"
        yield Finding(Severity.WARNS, "no-vectors", words, at, "right if a program is there already, or for data")
        return
    stack, reset = table.stack_pointer, table.reset
    first = {stack, reset}
    if any(first == {word} for word in _ERASED_WORDS):
        yield Finding(severity, "vectors-erased", "the vector table is blank", table.address, help)
        return
    found = []
    if table.address % _TABLE_STEP:
        words = f"no vector table can begin at 0x{table.address:08X}, which is no multiple of {_TABLE_STEP}"
        found.append(("vectors-misplaced", words, table.address))
    if stack % 4:
        words = f"the initial stack pointer 0x{stack:08X} is no multiple of 4, as every stack pointer is"
        found.append(("stack-pointer", words, table.address))
    elif not any(part.start < stack <= part.end for part in ram):
        where = "no RAM address" if chip is None else f"not in the RAM of {chip.name}"
        found.append(("stack-pointer", f"the initial stack pointer 0x{stack:08X} is {where}", table.address))
    if not reset & 1:
        words = f"the reset vector 0x{reset:08X} has no thumb bit, so the chip would stop at once"
        found.append(("reset-not-thumb", words, table.address + 4))
    target = reset & ~1
    inside = any(span.holds(target) for span in image.spans)
    if not inside and (chip is None or not chip.flash.holds(target)):
        where = "outside the image" if chip is None else f"neither in the image nor in the flash of {chip.name}"
        found.append(("reset-outside", f"the reset vector 0x{reset:08X} points {where}", table.address + 4))
    for code, words, address in found:
        yield Finding(severity, code, words, address, help)
    if found:
        return
    words = f"stack from 0x{stack:08X} down, start at 0x{target:08X}"
    yield Finding(Severity.FINE, "vectors", words, table.address)
    if stack % 8:
        words = f"the initial stack pointer 0x{stack:08X} is no multiple of 8"
        yield Finding(Severity.WARNS, "stack-alignment", words, table.address, "look at the stack in the link script")
    if not inside:
        words = f"the reset vector 0x{reset:08X} points to flash that this image does not give"
        yield Finding(Severity.WARNS, "reset-elsewhere", words, table.address + 4, "right if a boot program is there")


def _runs(numbers: tuple[int, ...]) -> str:
    """Ascending numbers in short: ``0 to 3, 7``."""
    out: list[list[int]] = []
    for number in numbers:
        if out and out[-1][1] == number - 1:
            out[-1][1] = number
        else:
            out.append([number, number])
    return ", ".join(str(a) if a == b else f"{a} to {b}" for a, b in out)
