"""A firmware image: pieces of memory with their addresses, whatever file format they came from. Pure data.

Addresses are byte addresses of a 32-bit chip, 0..0xFFFF_FFFF; the end of a piece is the first address behind it.
"""

from __future__ import annotations

import zlib
from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass, field
from hashlib import sha256
from itertools import pairwise
from typing import Final

ADDRESS_LIMIT: Final = 1 << 32


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """`size` bytes of address space from `start`."""

    start: int
    size: int

    @property
    def end(self) -> int:
        """The first address behind it."""
        return self.start + self.size

    def holds(self, address: int, size: int = 1) -> bool:
        """Whether all `size` bytes from `address` lie inside."""
        return self.start <= address and address + size <= self.end

    def overlap(self, other: Span) -> Span | None:
        """What both have in common; None when that is nothing."""
        start, end = max(self.start, other.start), min(self.end, other.end)
        return Span(start, end - start) if start < end else None

    def without(self, other: Span) -> tuple[Span, ...]:
        """What is left of it: nothing, one part or two."""
        if self.overlap(other) is None:
            return (self,)
        parts = Span(self.start, other.start - self.start), Span(other.end, self.end - other.end)
        return tuple(part for part in parts if part.size > 0)


@dataclass(frozen=True, slots=True)
class Segment:
    """Bytes that belong at `address`; at least one, and none beyond 32 bits (ValueError)."""

    address: int
    data: bytes = field(repr=False)

    def __post_init__(self) -> None:
        if not self.data or not 0 <= self.address <= ADDRESS_LIMIT - len(self.data):
            raise ValueError(f"{len(self.data)} bytes at {self.address:#x} are no segment of a 32-bit address space")

    @property
    def size(self) -> int:
        """Bytes."""
        return len(self.data)

    @property
    def end(self) -> int:
        """The first address behind it."""
        return self.address + len(self.data)

    @property
    def span(self) -> Span:
        """Where it lies."""
        return Span(self.address, len(self.data))


@dataclass(frozen=True, slots=True)
class Image:
    """What one file puts into memory. `path` as given; `format` is intel-hex, s-record, elf or raw.

    `segments` are sorted by address and neither overlap nor touch (ValueError); there is at least one. `entry` is the
    start address that the file names, with the thumb bit if it has one; None when it names none.
    """

    path: str
    format: str
    segments: tuple[Segment, ...]
    entry: int | None = None

    def __post_init__(self) -> None:
        if not self.segments:
            raise ValueError("an image has at least one segment")
        for below, above in pairwise(self.segments):
            if below.end >= above.address:
                raise ValueError(
                    f"segments at {below.address:#x} and {above.address:#x} overlap, touch or are unsorted"
                )

    @property
    def start(self) -> int:
        """The lowest address with a byte."""
        return self.segments[0].address

    @property
    def end(self) -> int:
        """The first address behind the highest byte."""
        return self.segments[-1].end

    @property
    def size(self) -> int:
        """Bytes that the file gives, gaps not counted."""
        return sum(segment.size for segment in self.segments)

    @property
    def spans(self) -> tuple[Span, ...]:
        """Where the segments lie."""
        return tuple(segment.span for segment in self.segments)

    @property
    def gaps(self) -> tuple[Span, ...]:
        """The holes between segments."""
        return tuple(Span(a.end, b.address - a.end) for a, b in pairwise(self.segments))

    @property
    def crc32(self) -> int:
        """CRC-32 (ISO-HDLC, as in zlib) over the segments' bytes in address order, gaps left out."""
        value = 0
        for segment in self.segments:
            value = zlib.crc32(segment.data, value)
        return value

    @property
    def sha256(self) -> str:
        """SHA-256 in hex over the segments' bytes in address order, gaps left out."""
        digest = sha256()
        for segment in self.segments:
            digest.update(segment.data)
        return digest.hexdigest()

    def read(self, address: int, size: int) -> bytes | None:
        """`size` bytes from `address`; None where the image does not give all of them."""
        number = bisect_right(self.segments, address, key=lambda segment: segment.address) - 1
        if number < 0 or not self.segments[number].span.holds(address, size):
            return None
        at = address - self.segments[number].address
        return self.segments[number].data[at : at + size]

    def word(self, address: int) -> int | None:
        """The 32-bit little-endian word at `address`; None where the image does not give it."""
        data = self.read(address, 4)
        return None if data is None else int.from_bytes(data, "little")


def joined(pieces: Iterable[Segment]) -> tuple[Segment, ...]:
    """Pieces in address order with neighbours made one. They must not overlap (ValueError)."""
    out: list[Segment] = []
    run: list[Segment] = []
    for piece in sorted(pieces, key=lambda piece: piece.address):
        if run and run[-1].end > piece.address:
            raise ValueError(f"pieces at {run[-1].address:#x} and {piece.address:#x} overlap")
        if run and run[-1].end < piece.address:
            out.append(_one(run))
            run = []
        run.append(piece)
    return (*out, _one(run)) if run else ()


def _one(run: list[Segment]) -> Segment:
    return run[0] if len(run) == 1 else Segment(run[0].address, b"".join(piece.data for piece in run))
