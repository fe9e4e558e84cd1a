"""`wakeline image FILE`: what a firmware file holds, and whether it fits a chip, before anything is erased."""

from __future__ import annotations

from argparse import Namespace
from typing import Any

from console.errors import InputTrouble
from console.images.image import Image
from console.images.layout import Finding, Severity, check_layout, fit_trouble, vectors
from console.images.load import load_image
from console.programming.chip_file import chip_named
from console.programming.chips import Chip
from console.summary import dumps
from console.words import count_of

_SHOWN_PARTS = 16
_SHOWN_FINDINGS = 24
_MARKS = {Severity.FINE: "✓ fine ", Severity.WARNS: "! look ", Severity.STOPS: "✗ stops"}


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    chip = chip_named(options.chip, options.chip_file)
    image = load_image(options.file, address=options.address, format=options.format)
    findings = check_layout(image, chip)
    trouble = fit_trouble(image, chip, findings)
    if options.json:
        print(dumps(as_object(image, chip, findings, trouble)))
    else:
        print("\n".join((*image_lines(image, chip), *fit_lines(chip, findings))))
    if trouble is not None and not options.json:
        raise trouble
    return 0 if trouble is None else trouble.outcome.exit_code


def image_lines(image: Image, chip: Chip | None) -> list[str]:
    """The image as lines of text."""
    out = [
        image.path,
        f"  format   {image.format}",
        f"  bytes    {image.size}, from 0x{image.start:08X} to 0x{image.end - 1:08X}",
    ]
    gaps = (*image.gaps, None)
    for number, (segment, gap) in enumerate(zip(image.segments, gaps, strict=True), 1):
        if number > _SHOWN_PARTS:
            out.append(f"  and {count_of(len(image.segments) - _SHOWN_PARTS, 'more part')}")
            break
        out.append(f"  part {number:<3} 0x{segment.address:08X} to 0x{segment.end - 1:08X}  {segment.size:>9}")
        if gap is not None:
            out.append(f"  gap      0x{gap.start:08X} to 0x{gap.end - 1:08X}  {gap.size:>9}")
    out += [f"  CRC-32   {image.crc32:08X}", f"  SHA-256  {image.sha256}"]
    if image.entry is not None:
        out.append(f"  entry    0x{image.entry:08X}")
    if table := vectors(image, chip):
        out.append(f"  vectors  stack 0x{table.stack_pointer:08X}, reset 0x{table.reset:08X}, at 0x{table.address:08X}")
    return out


def fit_lines(chip: Chip | None, findings: tuple[Finding, ...]) -> list[str]:
    """What is to be said about the fit, as lines of text."""
    out = [f"on {chip.name}:" if chip else "on any chip of this kind (say which with --chip):"]
    for finding in findings[:_SHOWN_FINDINGS]:
        where = f"0x{finding.address:08X}  " if finding.address is not None else ""
        out.append(f"  {_MARKS[finding.severity]}  {where}{finding.words}")
        if finding.severity != Severity.FINE and finding.help:
            out.append(f"           next: {finding.help}")
    if len(findings) > _SHOWN_FINDINGS:
        out.append(f"  and {count_of(len(findings) - _SHOWN_FINDINGS, 'more finding')}")
    return out


def as_object(
    image: Image, chip: Chip | None, findings: tuple[Finding, ...], trouble: InputTrouble | None
) -> dict[str, Any]:
    """The JSON object. CRC-32 and SHA-256 are over the segments' bytes in address order, gaps left out."""
    table = vectors(image, chip)
    return {
        "outcome": "ok" if trouble is None else trouble.outcome.value,
        "file": image.path,
        "format": image.format,
        "size": image.size,
        "segments": [{"address": segment.address, "size": segment.size} for segment in image.segments],
        "gaps": [{"address": gap.start, "size": gap.size} for gap in image.gaps],
        "crc32": f"{image.crc32:08X}",
        "sha256": image.sha256,
        "entry": image.entry,
        "vectors": None
        if table is None
        else {"address": table.address, "stack_pointer": table.stack_pointer, "reset": table.reset},
        "chip": None if chip is None else {"name": chip.name, "product_ids": list(chip.product_ids)},
        "findings": [
            {
                "severity": each.severity.value,
                "code": each.code,
                "words": each.words,
                "address": each.address,
                "help": each.help,
            }
            for each in findings
        ],
        "error": None if trouble is None else {"code": trouble.code, "message": trouble.message, "help": trouble.help},
    }
