"""What is known of the chip's memory while it is programmed, and what a difference means. Pure.

Nothing counts as proven but what was read back and was right, in this run.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from console.events import Value
from console.images.image import Span
from console.programming.outlook import numbers
from console.programming.ranges import Ranges
from console.words import count_of, differing

_LISTED: Final = 40


class Kind(StrEnum):
    """What a difference looks like."""

    LINE = "line-error"
    IGNORED = "write-ignored"
    NOT_ERASED = "not-erased"
    STUCK = "stuck-bit"
    OTHER = "other"


_MEANING: Final = {
    Kind.LINE: "a second reading differs from the first: the line is at fault, not the memory",
    Kind.IGNORED: "the block is as it was although the write was acknowledged: write protection looks like this",
    Kind.NOT_ERASED: "bits are cleared that should be set, as where old content was not erased",
    Kind.STUCK: "single bits refuse to change after an erase and a second write: as a worn cell does",
    Kind.OTHER: "the bytes are neither the old nor the new ones",
}


@dataclass(frozen=True, slots=True)
class Difference:
    """Where memory is not what it should be. `address` is the first differing byte, `count` how many differ."""

    address: int
    expected: int
    got: int
    count: int
    block: Span
    kind: Kind
    reading: bytes = field(repr=False)

    @property
    def bit(self) -> int:
        """The lowest bit that differs in the first byte."""
        return ((self.expected ^ self.got) & -(self.expected ^ self.got)).bit_length() - 1

    @property
    def where(self) -> str:
        """Address, bit, expected and found."""
        return (
            f"0x{self.address:08X} bit {self.bit}: expected {self.expected:02X}, got {self.got:02X}"
            f" ({self.count} of the {count_of(self.block.size, 'byte')} from 0x{self.block.start:08X} differ)"
        )

    @property
    def meaning(self) -> str:
        """What such a difference looks like, in words."""
        return _MEANING[self.kind]


def differences(wrong: Sequence[Difference]) -> str:
    """How much differs, in words: one place for each block that was read."""
    return differing(sum(each.count for each in wrong), len(wrong))


def compare(
    address: int, expected: bytes, got: bytes, again: bytes, erased: int, before: bytes | None = None
) -> Difference:
    """Classify a block that differs. `again` is a second reading, `before` what was read there before it was erased
    and written once more; None if that was not tried.

    All are of one length and `expected` differs from `got` (ValueError otherwise).
    """
    differing = [at for at, (want, have) in enumerate(zip(expected, got, strict=True)) if want != have]
    if not differing:
        raise ValueError("the block is right")
    first = differing[0]
    blank = bytes((erased,)) * len(got)
    cleared_too_far = all((~have & want) and not (have & ~want) for want, have in _pairs(expected, got, differing))
    bits = sum((want ^ have).bit_count() for want, have in _pairs(expected, got, differing))
    few = bits <= len(got) // 16 + 1
    if again != got:
        kind = Kind.LINE
    elif (got == blank != expected) or (got == before and not few):
        kind = Kind.IGNORED
    elif few and before is not None:
        kind = Kind.STUCK
    elif cleared_too_far and erased == 0xFF:
        kind = Kind.NOT_ERASED
    else:
        kind = Kind.OTHER
    block = Span(address, len(got))
    return Difference(address + first, expected[first], got[first], len(differing), block, kind, got)


def _pairs(expected: bytes, got: bytes, at: Iterable[int]) -> Iterable[tuple[int, int]]:
    return ((expected[n], got[n]) for n in at)


@dataclass(slots=True)
class Ledger:
    """What this run has done to the chip: kept up to date block by block, so that a cut can be told exactly."""

    erased: set[int] = field(default_factory=set)
    """Numbers of the units whose erase was acknowledged."""
    written: Ranges = field(default_factory=Ranges)
    """Where a write was acknowledged or read back right."""
    proven: Ranges = field(default_factory=Ranges)
    """What was read and is right."""
    unsure: set[int] = field(default_factory=set)
    """Units that hold a block whose write may have gone half way."""
    repeated: int = 0
    """Blocks and commands that had to be repeated."""
    by_checksum: int = 0
    """Bytes proven only by the chip's own checksum, not by reading them."""
    repaired: int = 0
    """Units that were erased and written a second time."""

    def forget(self, lost: Iterable[Span]) -> bool:
        """These ranges are about to be erased: nothing is known of them any more. Whether anything was known."""
        known = False
        for span in lost:
            known |= self.proven.remove(span) | self.written.remove(span)
        return known

    def words(self) -> dict[str, Value]:
        """What is known now, as the marks of a record carry it."""
        return {
            "proven": as_text(self.proven),
            "proven_bytes": self.proven.size,
            "by_checksum": self.by_checksum,
            "written": as_text(self.written.without(self.proven)),
            "erased": numbers(self.erased),
            "unsure": numbers(self.unsure),
            "repeated": self.repeated,
            "repaired": self.repaired,
        }


def as_text(spans: Iterable[Span]) -> str:
    """Ranges as a capture carries them: first and last address, separated by blanks; a long list is cut with a word."""
    listed = list(spans)
    words = [f"{span.start:08X}-{span.end - 1:08X}" for span in listed[:_LISTED]]
    return " ".join(words) + (f" and {len(listed) - _LISTED} more" if len(listed) > _LISTED else "")
