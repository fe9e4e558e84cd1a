"""What a chip held before a run that was cut off: a backup gives back what that run was to keep beside its image. Pure.

Which of a unit's blank bytes were blank before it was erased, the chip itself cannot say any more.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from console.images.image import Image, Segment, Span, joined
from console.programming.chips import Chip
from console.programming.planner import wanted


@dataclass(frozen=True, slots=True)
class Before:
    """Memory from `address` on as it was. `keeps`: where the run that was cut off was to leave what is beside its
    image."""

    address: int
    data: bytes = field(repr=False)
    keeps: tuple[Span, ...] = ()

    @property
    def span(self) -> Span:
        """Where it lies."""
        return Span(self.address, len(self.data))

    def read(self, span: Span) -> bytes:
        """What was in `span`, which lies inside."""
        return self.data[span.start - self.address : span.end - self.address]


def goal(image: Image, chip: Chip, ranges: tuple[Span, ...], before: Before) -> tuple[Image, tuple[Span, ...]]:
    """The image (or the `ranges` of it) with what was beside it before the cut; and where that is not blank.

    Raises as `planner.wanted`.
    """
    parts = wanted(image, chip, ranges)
    beside = _beside(parts, chip, before)
    whole = joined((*parts, *(Segment(gap.start, before.read(gap)) for gap in beside)))
    blank = bytes((chip.erased,))
    put_back = joined(Segment(gap.start, data) for gap in beside if (data := before.read(gap)).strip(blank))
    return Image(image.path, image.format, whole, image.entry), tuple(part.span for part in put_back)


def unlike(image: Image, chip: Chip, ranges: tuple[Span, ...], before: Before, now: Mapping[int, bytes]) -> list[int]:
    """Units that hold, beside the image, what is neither blank nor what was there before.

    A cut can spoil the unit that is erased or written at that moment; more of them speak for another board or time.
    """
    found = set()
    for gap in _beside(wanted(image, chip, ranges), chip, before):
        number = chip.page_of(gap.start)
        start = chip.page_range(number).start
        if number not in now:
            continue
        had, has = before.read(gap), now[number][gap.start - start : gap.end - start]
        if any(byte not in (old, chip.erased) for old, byte in zip(had, has, strict=True)):
            found.add(number)
    return sorted(found)


def blank_beside(
    image: Image, chip: Chip, ranges: tuple[Span, ...], now: Mapping[int, bytes], block: int
) -> tuple[Span, ...]:
    """Where beside the image, on the units that it touches, nothing is, looked at in pieces as they are written:
    `block` bytes from a multiple of it. `now` has these units."""
    parts = [part.span for part in wanted(image, chip, ranges)]
    blank = bytes((chip.erased,))
    found: list[Segment] = []
    for number, data in sorted(now.items()):
        where = chip.page_range(number)
        if not any(where.overlap(part) for part in parts):
            continue
        for gap in left((where,), parts):
            for at in range(gap.start - gap.start % block, gap.end, block):
                start, end = max(at, gap.start), min(at + block, gap.end)
                there = data[start - where.start : end - where.start]
                if not there.strip(blank):
                    found.append(Segment(start, there))
    return tuple(part.span for part in joined(found))


def _beside(parts: tuple[Segment, ...], chip: Chip, before: Before) -> list[Span]:
    """What `before` has beside `parts` on the units that they touch, as far as it was to be kept."""
    mine = [part.span for part in parts if chip.flash.holds(part.address, part.size)]
    where = [chip.page_range(page) for page in chip.pages_covering(mine)]
    kept = [both for unit in where for keep in before.keeps if (both := unit.overlap(keep)) is not None]
    had = [both for part in kept if (both := part.overlap(before.span)) is not None]
    return left(had, mine)


def left(spans: Iterable[Span], taken: Iterable[Span]) -> list[Span]:
    """What is left of `spans` without `taken`."""
    rests = list(spans)
    for each in taken:
        rests = [rest for span in rests for rest in span.without(each)]
    return rests
