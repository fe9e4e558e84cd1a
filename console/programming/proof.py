"""What is known of the chip's memory while it is programmed, and what a difference means. Pure.

Nothing counts as proven but what was read back and was right, in this run.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from console.errors import Mismatch
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
    ERASE_IGNORED = "erase-ignored"
    STUCK = "stuck-bit"
    OTHER = "other"


_MEANING: Final = {
    Kind.LINE: "a second reading differs from the first: the line is at fault, not the memory",
    Kind.IGNORED: "the block is as it was although the write was acknowledged: write protection looks like this",
    Kind.NOT_ERASED: "bits are cleared that should be set, as where old content was not erased",
    Kind.ERASE_IGNORED: "the erase was acknowledged, and yet this is not blank: that of a write-protected sector is "
    "acknowledged all the same",  # AN3155 Rev 20 s.3.7
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
    def bits(self) -> str:
        """Which bits of the first byte differ, in words; what is left of all is what stays."""
        differ = [bit for bit in range(8) if (self.expected ^ self.got) >> bit & 1]
        if len(differ) == 8:
            return "every bit"
        if len(differ) == 7:
            (kept,) = set(range(8)) - set(differ)
            return f"every bit but {kept}"
        return f"bit{'s' if len(differ) > 1 else ''} {', '.join(map(str, differ))}"

    @property
    def where(self) -> str:
        """Address, bits, expected and found."""
        return (
            f"0x{self.address:08X}, {self.bits}: expected {self.expected:02X}, got {self.got:02X}"
            f" ({self.count} of the {count_of(self.block.size, 'byte')} from 0x{self.block.start:08X} differ)"
        )

    def is_old(self, erased: int) -> bool:
        """Whether it looks like what was there before an erase; `erased` is the value of an erased byte."""
        unchanged = self.kind is Kind.IGNORED and set(self.reading) != {erased}
        return unchanged or self.kind in (Kind.NOT_ERASED, Kind.ERASE_IGNORED)

    @property
    def meaning(self) -> str:
        """What such a difference looks like, in words."""
        return _MEANING[self.kind]


def differences(wrong: Sequence[Difference]) -> str:
    """How much differs, in words: one place for each block that was read."""
    return differing(sum(each.count for each in wrong), len(wrong))


def compare(
    address: int,
    expected: bytes,
    got: bytes,
    again: bytes,
    erased: int,
    before: bytes | None = None,
    *,
    only_erased: bool = False,
) -> Difference:
    """Classify a block that differs. `again` is a second reading, `before` what was read there before it was erased
    and written once more; None if that was not tried. `only_erased`: it was erased and not written.

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
    elif only_erased and not few:
        kind = Kind.ERASE_IGNORED
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


_LOCKED: Final = (
    "do not use this board; its sectors may be write-protected, which is lifted in the chip's option bytes and not "
    "from here; if they are not, check the supply and try once more"
)
_NEXT: Final = {
    Kind.IGNORED: _LOCKED,
    Kind.ERASE_IGNORED: _LOCKED,
    Kind.NOT_ERASED: f"{_LOCKED}, or change the chip",
    Kind.LINE: "do not use this board yet; look at cable, joints and supply, then try once more",
}


def mismatch(wrong: Sequence[Difference]) -> Mismatch:
    """Memory that stays wrong, as an error that names the first place and what it looks like."""
    if not wrong:
        return Mismatch(
            "mismatch", "some blocks could not be written whole", help="check supply and wires, then try once more"
        )
    first = wrong[0]
    more = f", and {count_of(len(wrong) - 1, 'more block')}" if len(wrong) > 1 else ""
    what = "memory does not hold what was written"
    if first.kind is Kind.ERASE_IGNORED:
        what = "not erased, although the erase was acknowledged"
    return Mismatch(
        "mismatch",
        f"{what}: {first.where}{more}",
        where=f"0x{first.address:08X}",
        note=f"{first.kind.value}: {first.meaning}",
        help=_NEXT.get(first.kind, "do not use this board; check its supply, then try once more, or change the chip"),
    )


@dataclass(slots=True)
class Ledger:
    """What this run has done to the chip: kept up to date block by block, so that a cut can be told exactly."""

    erasing: set[int] = field(default_factory=set)
    """Numbers of the units that an erase was sent for: until it is acknowledged each may be old, half erased, blank."""
    erased: set[int] = field(default_factory=set)
    """Units whose erase was acknowledged, and of which no reading says otherwise."""
    resisting: set[int] = field(default_factory=set)
    """Units whose erase was acknowledged, and which were read and are not erased."""
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
    repaired: set[int] = field(default_factory=set)
    """Units that were erased and written once more."""

    def erase_sent(self, units: Iterable[int]) -> None:
        """From now on nobody knows what these hold."""
        self.erasing.update(units)
        self.erased -= self.erasing
        self.resisting -= self.erasing

    def erase_acknowledged(self) -> None:
        """What was sent was acknowledged."""
        self.erased |= self.erasing
        self.erasing.clear()

    def seen_unerased(self, units: Iterable[int]) -> None:
        """Read back: these were not erased, whatever was acknowledged."""
        unerased = self.erased.intersection(units)
        self.resisting |= unerased
        self.erased -= unerased

    def forget(self, lost: Iterable[Span]) -> None:
        """These ranges are about to be erased: nothing is known of them any more."""
        for span in lost:
            self.proven.remove(span)
            self.written.remove(span)

    def words(self) -> dict[str, Value]:
        """What is known now, as the marks of a record carry it."""
        return {
            "proven": as_text(self.proven),
            "proven_bytes": self.proven.size,
            "by_checksum": self.by_checksum,
            "written": as_text(self.written.without(self.proven)),
            "erasing": numbers(self.erasing),
            "erased": numbers(self.erased),
            "resisting": numbers(self.resisting),
            "unsure": numbers(self.unsure),
            "repeated": self.repeated,
            "repaired": len(self.repaired),
        }


def as_text(spans: Iterable[Span]) -> str:
    """Ranges as a capture carries them: first and last address, separated by blanks; a long list is cut with a word."""
    listed = list(spans)
    words = [f"{span.start:08X}-{span.end - 1:08X}" for span in listed[:_LISTED]]
    return " ".join(words) + (f" and {len(listed) - _LISTED} more" if len(listed) > _LISTED else "")
