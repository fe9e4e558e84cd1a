"""What a plan will do, in seconds and in words, before anything is done. Pure.

Times add what the characters need on the line and the slowest the chip's documents allow: the plan takes at most about
that long when nothing has to be repeated.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from console.images.image import Span
from console.programming.chips import Chip
from console.programming.plan import EraseStep, Plan, SupplyStep, VerifyStep, WriteStep
from console.words import count_of, duration
from protocols.programmer import Programmer

_FEW: Final = 6


@dataclass(frozen=True, slots=True)
class Outlook:
    """Expected seconds per stage; `wire_s` is the part of all of them that the line itself needs."""

    erase_s: float
    write_s: float
    verify_s: float
    wire_s: float

    @property
    def total_s(self) -> float:
        """All stages."""
        return self.erase_s + self.write_s + self.verify_s


def outlook(plan: Plan, programmer: Programmer, char_s: float) -> Outlook:
    """How long `plan` takes on a line of `char_s` seconds per character (`Frame.char_s`)."""
    chip = plan.timed_chip
    erase = write = verify = 0.0
    chars = 0
    for step in plan.steps:
        match step:
            case SupplyStep():
                chars += programmer.write_chars(1)
            case EraseStep(pages, pause_s):
                chars += programmer.erase_chars(0 if pages is None else len(pages))
                erase += erase_s(chip, step) + pause_s
            case WriteStep(address, data):
                chars += programmer.write_chars(len(data))
                if chip.flash.holds(address):
                    write += chip.program_s * len(data) / 256
            case VerifyStep(_, data):
                chars += programmer.read_chars(len(data))
    sent = {
        kind: sum(cost(len(step.data)) for step in steps) * char_s
        for kind, steps, cost in (
            ("write", plan.all_writes, programmer.write_chars),
            ("verify", plan.all_verifies, programmer.read_chars),
        )
    }
    wire = chars * char_s
    return Outlook(erase + wire - sum(sent.values()), write + sent["write"], verify + sent["verify"], wire)


def erase_s(chip: Chip, step: EraseStep) -> float:
    """What the chip itself may take for one erase command, in seconds."""
    if step.pages is not None:
        return len(step.pages) * chip.page_erase_s
    return chip.mass_erase_s if chip.mass_erase_s is not None else chip.page_count * chip.page_erase_s


def plan_lines(plan: Plan, expected: Outlook) -> list[str]:
    """The plan for a person, before it runs."""
    chip = plan.chip
    out = [f"chip: {chip.name}, flash 0x{chip.flash.start:08X} to 0x{chip.flash.end - 1:08X}"]
    if plan.supply is not None:
        told = plan.supply.range
        out.append(
            f"supply: the loader is told {told.least_v:g} to {told.most_v:g} V ({plan.supply.volts:g} V measured), "
            f"so that it erases and writes {told.width} bits at a time in place of 8: faster, until its next reset"
        )
    if not plan.steps:
        return [*out, f"found right already: {span_words(plan.already)}"]
    if plan.erases_everything:
        beside = f", also beside the image: {span_words(plan.unread)}" if plan.unread else ""
        out.append(f"erase: everything on the chip{beside}")
    elif plan.erases:
        out.append(f"erase: {count_of(len(plan.erased_pages), chip.unit)} ({numbers(plan.erased_pages)})")
    else:
        out.append("erase: nothing")
    if plan.all_writes:
        blocks = count_of(len(plan.all_writes), "block")
        out.append(f"write: {count_of(plan.bytes_to_write, 'byte')} in {blocks}, blank ones left out")
    else:
        out.append("write: nothing")
    out.append(f"read back and compare: {count_of(plan.bytes_to_verify, 'byte')}")
    if plan.already:
        out.append(f"found right already: {span_words(plan.already)}")
    if plan.kept:
        out.append(f"kept beside the image: {span_words(plan.kept)}")
    if plan.lost:
        out.append(f"erased beside the image: {span_words(plan.lost)} (--keep-neighbours keeps it)")
    if plan.unread and not plan.erases_everything:
        out.append(
            f"erased beside the image, whatever is there: {span_words(plan.unread)} (--keep-neighbours keeps it)"
        )
    out += _start_lines(plan)
    out.append(
        f"expected: at most about {duration(expected.total_s)} (erase {duration(expected.erase_s)}, "
        f"write {duration(expected.write_s)}, read back {duration(expected.verify_s)})"
    )
    return out


def _start_lines(plan: Plan) -> list[str]:
    """What a board does that is cut off on the way, and one that was not."""
    if plan.seal is not None and plan.seals_start:
        return [
            f"last of all: the block at 0x{plan.seal.address:08X}, which the chip starts from, so that a board cut off "
            "before does not start"
        ]
    last = [] if plan.seal is None else [f"last of all: the first block of it, at 0x{plan.seal.address:08X}"]
    start = f"what the chip starts from, at 0x{plan.chip.vectors.start:08X},"
    if plan.erases_start:
        return [*last, f"note: {start} is erased and not written: it has no program to start until one is written"]
    if plan.changes_flash and plan.all_writes:
        return [
            *last,
            f"note: {start} stays as it is: a board cut off on the way may start a program that runs into what is "
            "half written",
        ]
    if plan.changes_flash:
        return [f"note: {start} stays as it is: it may start a program of which parts are gone"]
    return last


def span_words(spans: Iterable[Span]) -> str:
    """Address ranges with their last byte, a few of them and how many more."""
    listed = list(spans)
    words = [f"0x{span.start:08X}-0x{span.end - 1:08X}" for span in listed[:_FEW]]
    more = f" and {len(listed) - _FEW} more" if len(listed) > _FEW else ""
    size = sum(span.size for span in listed)
    return f"{', '.join(words)}{more} ({count_of(size, 'byte')})" if listed else "nothing"


def units(chip: Chip, pages: Iterable[int]) -> str:
    """``page 0``, ``sectors 0-3, 7``: erase units with what this chip calls them."""
    listed = list(pages)
    return f"{chip.unit}{'' if len(listed) == 1 else 's'} {numbers(listed)}"


def numbers(pages: Iterable[int]) -> str:
    """Page numbers as ranges: 0-3, 7."""
    runs: list[list[int]] = []
    for page in sorted(pages):
        if runs and runs[-1][1] == page - 1:
            runs[-1][1] = page
        else:
            runs.append([page, page])
    words = [str(first) if first == last else f"{first}-{last}" for first, last in runs[:_FEW]]
    return ", ".join(words) + (f" and {count_of(len(runs) - _FEW, 'more range')}" if len(runs) > _FEW else "")
