"""From an image and a chip to a plan, page by page: leave alone, write into the blank, or erase and write. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from console.errors import InputTrouble, UsageTrouble
from console.images.image import Image, Segment, Span, joined
from console.programming.chips import Chip
from console.programming.plan import EraseStep, Options, Plan, VerifyStep, WriteStep
from console.words import count_of
from protocols.programmer import Programmer

# pages in one erase command: a stop is heeded between two of them, and the few characters around them cost nothing
PAGES_AT_ONCE: Final = 16
_PAUSE_S: Final = 0.04  # AN2606 Rev 70 Table 108


def make_plan(
    image: Image,
    chip: Chip,
    programmer: Programmer,
    options: Options | None = None,
    current: Mapping[int, bytes] | None = None,
) -> Plan:
    """The plan for `image` on `chip`. `current`: whole erase units as they were read, by number.

    Raises InputTrouble `outside-chip` and `page-number`, UsageTrouble for options that do not go together and
    `not-blank`; ValueError when `options` needs content that `current` does not have.
    """
    options = options or Options()
    _check(options, chip)
    current = current or {}
    parts = wanted(image, chip, options.ranges)
    flash = [part for part in parts if chip.flash.holds(part.address, part.size)]
    ram = [part for part in parts if not chip.flash.holds(part.address, part.size)]
    pages = _Pages(chip, flash, options, current, max(chip.granule, programmer.write_unit))
    writes = [*_blocks(_padded(ram, programmer.write_unit), programmer.max_block, programmer.write_unit, None)]
    writes += _blocks(pages.runs, programmer.max_block, pages.granule, chip.erased)
    seal = _seal(writes, flash, chip)
    verifies = [VerifyStep(part.address, part.data) for part in _cut((*ram, *pages.to_prove), programmer.max_block)]
    sealed = [step for step in verifies if seal is not None and step.span.overlap(seal.span)]
    if options.erase_all:
        erases: tuple[EraseStep, ...] = (EraseStep(None),)
        lost, unread = [], [*_gaps(chip.flash, [part.span for part in flash])]
    else:
        erases = tuple(_erases(pages.erase, chip, programmer))
        lost, unread = pages.lost, pages.unread
    there = joined(pages.already)
    return Plan(
        chip,
        erases=erases,
        writes=tuple(step for step in writes if step is not seal),
        verifies=tuple(step for step in verifies if step not in sealed),
        seal=seal,
        seal_verifies=tuple(sealed),
        already=tuple(part.span for part in there),
        rechecks=tuple(VerifyStep(part.address, part.data) for part in _cut(there, programmer.max_block)),
        kept=_spans(pages.kept),
        lost=_spans(lost),
        unread=_spans(unread),
        blank_pages=frozenset(pages.open),
        content=pages.content,
    )


def repair_plan(plan: Plan, pages: Iterable[int], programmer: Programmer, *, sealed: bool) -> Plan:
    """A plan that erases and writes `pages` of `plan` a second time; the seal only if it was written (`sealed`).

    Raises ValueError for a page whose content the plan does not know.
    """
    chip, numbers = plan.chip, sorted(pages)
    if not set(numbers) <= set(plan.content):
        raise ValueError(f"{chip.unit}s {numbers} are not all known to this plan")
    parts = joined(Segment(chip.page_range(page).start, plan.content[page]) for page in numbers)
    granule = max(chip.granule, programmer.write_unit)
    writes = list(_blocks(parts, programmer.max_block, granule, chip.erased))
    verifies = [VerifyStep(part.address, part.data) for part in _cut(parts, programmer.max_block)]
    seal: WriteStep | None = None
    seal_verifies: tuple[VerifyStep, ...] = ()
    if plan.seal is not None:
        mine = [step for step in writes if step.span.overlap(plan.seal.span)]
        covered = tuple(step for step in verifies if step.span.overlap(plan.seal.span))
        writes = [step for step in writes if step not in mine]
        verifies = [step for step in verifies if step not in covered]
        if sealed and mine:
            seal, seal_verifies = mine[0], covered
    return Plan(
        chip,
        erases=tuple(_erases(numbers, chip, programmer)),
        writes=tuple(writes),
        verifies=tuple(verifies),
        seal=seal,
        seal_verifies=seal_verifies,
        content={page: plan.content[page] for page in numbers},
    )


def touched_pages(image: Image, chip: Chip, ranges: tuple[Span, ...] = ()) -> tuple[int, ...]:
    """Erase units that `image` (or the `ranges` of it) touches; InputTrouble `outside-chip`."""
    return chip.pages_covering(
        part.span for part in wanted(image, chip, ranges) if chip.flash.holds(part.address, part.size)
    )


def erase_plan(chip: Chip, pages: Iterable[int] | None, programmer: Programmer) -> Plan:
    """A plan that only erases: some pages, or everything (None), and reads back that they are blank."""
    if pages is None:
        numbers: Iterable[int] = range(chip.page_count)
        if "no-mass-erase" in chip.oddities:
            erases = tuple(_erases(range(chip.page_count), chip, programmer))
        else:
            erases = (EraseStep(None),)
    else:
        numbers = sorted(set(pages))
        erases = tuple(_erases(numbers, chip, programmer))
    blank = [
        Segment(part.start, bytes((chip.erased,)) * part.size) for part in (chip.page_range(page) for page in numbers)
    ]
    verifies = tuple(VerifyStep(part.address, part.data) for part in _cut(joined(blank), programmer.max_block))
    return Plan(chip, erases=erases, writes=(), verifies=verifies)


def _check(options: Options, chip: Chip) -> None:
    if options.erase_all and "no-mass-erase" in chip.oddities:
        raise UsageTrouble(
            "no-mass-erase",
            f"{chip.name} cannot erase everything at once",
            help="leave the option out: pages are erased",
        )


def wanted(image: Image, chip: Chip, ranges: tuple[Span, ...]) -> tuple[Segment, ...]:
    """The image's pieces within `ranges` (none: all of it); each lies in flash or in RAM that the loader can write.

    Raises InputTrouble `outside-chip`, UsageTrouble `range` where nothing is left.
    """
    parts = list(image.segments)
    if ranges:
        parts = [
            Segment(both.start, part.data[both.start - part.address : both.end - part.address])
            for part in parts
            for wish in ranges
            if (both := part.span.overlap(wish)) is not None
        ]
        parts = list(joined(_distinct(parts)))
    if not parts:
        raise UsageTrouble("range", "the image has no byte in that range", help="see where it lies in its summary")
    for part in parts:
        in_ram = any(area.holds(part.address, part.size) for area in chip.ram)
        if in_ram and any(part.span.overlap(own) for own in chip.loader_ram):
            raise InputTrouble(
                "outside-chip",
                f"{count_of(part.size, 'byte')} at 0x{part.address:08X} would overwrite RAM that the loader uses",
                where=image.path,
                help="link the program for other RAM",
            )
        if not in_ram and not chip.flash.holds(part.address, part.size):
            raise InputTrouble(
                "outside-chip",
                f"outside the memory of {chip.name}: {count_of(part.size, 'byte')} at 0x{part.address:08X}",
                where=image.path,
                note=f"its flash goes from 0x{chip.flash.start:08X} up to 0x{chip.flash.end - 1:08X}",
                help="check the image's addresses, or the chip named",
            )
    return tuple(parts)


def _distinct(parts: list[Segment]) -> Iterator[Segment]:
    """Pieces cut where ranges overlapped each other."""
    end = 0
    for part in sorted(parts, key=lambda part: part.address):
        start = max(part.address, end)
        if start < part.end:
            yield Segment(start, part.data[start - part.address :])
            end = part.end


class _Pages:
    """Decides page by page: leave alone, write into the blank, or erase and write."""

    def __init__(
        self, chip: Chip, flash: list[Segment], options: Options, current: Mapping[int, bytes], granule: int
    ) -> None:
        self.granule = granule
        self.runs: list[Segment] = []
        self.to_prove: tuple[Segment, ...] = ()
        self.erase: list[int] = []
        self.open: set[int] = set()
        self.already: list[Segment] = []
        self.kept: list[Span] = []
        self.lost: list[Span] = []
        self.unread: list[Span] = []
        self.content: dict[int, bytes] = {}
        self._chip = chip
        self._options = options
        prove: list[Segment] = []
        for number in chip.pages_covering(part.span for part in flash):
            where = chip.page_range(number)
            mine = [
                Segment(both.start, part.data[both.start - part.address : both.end - part.address])
                for part in flash
                if (both := part.span.overlap(where)) is not None
            ]
            prove += self._page(number, where, mine, current.get(number))
        self.runs = list(joined(self.runs))
        self.to_prove = joined(prove)

    def _page(self, number: int, where: Span, mine: list[Segment], old: bytes | None) -> list[Segment]:
        """Decide for one page; returns what must be read back."""
        options = self._options
        if old is None and options.needs_content:
            raise ValueError(f"{self._chip.unit} {number} must be read first")
        want = bytearray(old if old is not None else bytes((self._chip.erased,)) * where.size)
        for part in mine:
            want[part.address - where.start : part.end - where.start] = part.data
        if old is not None and (options.changed_only or options.no_erase):
            different = [at for at in range(0, where.size, self.granule) if self._part(want, at) != self._part(old, at)]
            blank = bytes((self._chip.erased,)) * self.granule
            if all(self._part(old, at) == blank[: len(self._part(old, at))] for at in different):
                return self._fill(number, where, mine, bytes(want), different)
        if options.no_erase:
            raise UsageTrouble(
                "not-blank",
                f"{self._chip.unit} {number} at 0x{where.start:08X} is not blank where the image wants other bytes",
                help="leave --no-erase out, or choose another address",
            )
        self.erase.append(number)
        beside = list(_gaps(where, [part.span for part in mine]))
        if options.keep_neighbours:
            self.kept += [gap for gap in beside if not self._is_blank(want, where, gap)]
            self._take(number, where, want)
            return [Segment(where.start, bytes(want))]
        if old is None:
            self.unread += beside
        else:
            self.lost += [gap for gap in beside if not self._is_blank(want, where, gap)]
        for gap in beside:
            want[gap.start - where.start : gap.end - where.start] = bytes((self._chip.erased,)) * gap.size
        self._take(number, where, want)
        return mine

    def _take(self, number: int, where: Span, want: bytearray) -> None:
        self.content[number] = bytes(want)
        self.runs.append(Segment(where.start, bytes(want)))

    def _fill(self, number: int, where: Span, mine: list[Segment], want: bytes, different: list[int]) -> list[Segment]:
        """Only blank granules need a write; the rest of the image on this page is there already."""
        writes = [Segment(where.start + at, self._part(want, at)) for at in different]
        spans = [part.span for part in joined(writes)]
        self.runs += writes
        if writes:
            self.open.add(number)
        self.content[number] = want
        for part in mine:
            self.already += [
                Segment(gap.start, part.data[gap.start - part.address : gap.end - part.address])
                for gap in _gaps(part.span, spans)
            ]
        return [
            Segment(both.start, part.data[both.start - part.address : both.end - part.address])
            for part in mine
            for span in spans
            if (both := part.span.overlap(span)) is not None
        ]

    def _part(self, data: bytes | bytearray, at: int) -> bytes:
        return bytes(data[at : at + self.granule])

    def _is_blank(self, data: bytearray, where: Span, gap: Span) -> bool:
        part = data[gap.start - where.start : gap.end - where.start]
        return part == bytes((self._chip.erased,)) * gap.size


def _gaps(whole: Span, taken: Iterable[Span]) -> Iterator[Span]:
    """The parts of `whole` that none of `taken` covers."""
    at = whole.start
    for part in sorted(taken):
        if part.start > at and at < whole.end:
            yield Span(at, min(part.start, whole.end) - at)
        at = max(at, part.end)
    if at < whole.end:
        yield Span(at, whole.end - at)


def _padded(parts: Iterable[Segment], unit: int) -> tuple[Segment, ...]:
    """Pieces of RAM made whole units; what is added is 00, as RAM has no blank. Pieces that share a unit become one."""
    runs: list[tuple[int, bytearray]] = []
    for part in parts:
        first = part.address - part.address % unit
        if not runs or runs[-1][0] + len(runs[-1][1]) < first:
            runs.append((first, bytearray()))
        start, data = runs[-1]
        data += bytes(max(0, part.end - start + -part.end % unit - len(data)))
        data[part.address - start : part.end - start] = part.data
    return tuple(Segment(start, bytes(data)) for start, data in runs)


def _cut(parts: Iterable[Segment], most: int) -> Iterator[Segment]:
    """Pieces of at most `most` bytes that do not cross a multiple of it."""
    for part in parts:
        at = part.address
        while at < part.end:
            end = min(part.end, at - at % most + most)
            yield Segment(at, part.data[at - part.address : end - part.address])
            at = end


def _blocks(parts: Iterable[Segment], most: int, granule: int, erased: int | None) -> Iterator[WriteStep]:
    """Writes without what is blank anyway: whole blocks, and granules at a block's ends."""
    for part in _cut(parts, most):
        if erased is None:
            yield WriteStep(part.address, part.data)
            continue
        blank = bytes((erased,))
        skipped = len(part.data) - len(part.data.lstrip(blank))
        first = skipped - skipped % granule
        end = len(part.data.rstrip(blank))
        end += -end % granule
        if first < end:
            yield WriteStep(part.address + first, part.data[first:end])


def _seal(writes: list[WriteStep], flash: list[Segment], chip: Chip) -> WriteStep | None:
    """The write that goes last: what the chip starts from, also where that is only kept; else the image's first."""
    start = next((step for step in writes if step.span.overlap(chip.vectors)), None)
    if start is not None or not flash:
        return start
    return next((step for step in writes if step.span.holds(flash[0].address)), None)


def _erases(pages: Iterable[int], chip: Chip, programmer: Programmer) -> Iterator[EraseStep]:
    """Ascending, so that the page the chip starts from goes first; as many at once as the chip takes."""
    pause_s = _PAUSE_S if "pause-after-erase" in chip.oddities else 0.0
    most = max(1, min(PAGES_AT_ONCE, chip.max_pages_per_erase, programmer.max_pages))
    alone_from = chip.page_count // 2 if "one-bank-2-page-per-erase" in chip.oddities else chip.page_count
    group: list[int] = []
    for page in pages:
        if page > programmer.max_page_number:
            raise InputTrouble(
                "page-number",
                f"this loader cannot name {chip.unit} {page}: its numbers end at {programmer.max_page_number}",
                help="erase everything with --erase-all",
            )
        if group and (len(group) >= most or page >= alone_from):
            yield EraseStep(tuple(group), pause_s)
            group = []
        group.append(page)
    if group:
        yield EraseStep(tuple(group), pause_s)


def _spans(found: Iterable[Span]) -> tuple[Span, ...]:
    """Spans in order, neighbours made one."""
    out: list[Span] = []
    for span in sorted(found):
        if out and out[-1].end >= span.start:
            out[-1] = Span(out[-1].start, max(out[-1].end, span.end) - out[-1].start)
        elif span.size:
            out.append(span)
    return tuple(out)
