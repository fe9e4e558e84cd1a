"""What a plan promises, whatever the image and whatever the chip holds: checked on a flash that only an erase can set.

How flash behaves (an erase sets all bits of a unit, a write only clears them) is what the datasheets' tables of flash
times are about (DS5319 Rev 20 Table 28); the chips here have units of their own to keep the examples small.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

import protocols
from console.errors import InputTrouble, UsageTrouble
from console.images.image import Image, Segment, Span, joined
from console.programming.chips import Chip, Region, Unit
from console.programming.outlook import outlook, plan_lines
from console.programming.plan import EraseStep, Options, Plan, Step, VerifyStep, WriteStep
from console.programming.planner import erase_plan, make_plan, repair_plan
from protocols.family import Identity
from protocols.programmer import Programmer

BASE = 0x0800_0000
NAMES = ("Read Memory", "Write Memory", "Extended Erase", "Go")


def programmer() -> Programmer:
    family = protocols.load("an3155")
    assert family.programmer is not None
    return family.programmer(Identity(commands=NAMES))


def chip(regions: tuple[tuple[int, int], ...] = ((8, 512),), granule: int = 8, erased: int = 0xFF) -> Chip:
    rows, at = [], BASE
    for count, size in regions:
        rows.append(Region(at, count, size))
        at = rows[-1].end
    return Chip(
        product_ids=(0x999,),
        name="toy",
        flash_start=BASE,
        flash_size=at - BASE,
        least_flash_size=at - BASE,
        pages=tuple(rows),
        unit=Unit.PAGE,
        granule=granule,
        ram=(Span(0x2000_0000, 4096),),
        loader_ram=(Span(0x2000_0000, 512),),
        page_erase_s=0.02,
        program_s=0.01,
        source="test",
        max_pages_per_erase=3,
        erased=erased,
    )


class Flash:
    """A flash that keeps the rules: a write only moves bits away from the erased state, and needs whole granules."""

    def __init__(self, chip: Chip, content: bytes) -> None:
        self.chip = chip
        self.data = bytearray(content)
        self.erased: set[int] = set()
        self.order: list[object] = []

    def carry_out(self, plan: Plan) -> None:
        for step in plan.steps:
            self.step(step)

    def step(self, step: Step) -> None:
        self.order.append(step)
        match step:
            case EraseStep(pages):
                assert not any(isinstance(done, WriteStep) for done in self.order)
                for page in range(self.chip.page_count) if pages is None else pages:
                    where = self.chip.page_range(page)
                    at = where.start - BASE
                    self.data[at : at + where.size] = bytes((self.chip.erased,)) * where.size
                    self.erased.add(page)
            case WriteStep(address, data):
                at = address - BASE
                assert address % self.chip.granule == 0
                assert len(data) % self.chip.granule == 0
                assert len(data) <= 256
                old = self.data[at : at + len(data)]
                assert set(old) <= {self.chip.erased}  # also with check bits, which take one write only
                self.data[at : at + len(data)] = data
            case VerifyStep(address, data):
                assert self.data[address - BASE : address - BASE + len(data)] == data

    def pages(self) -> dict[int, bytes]:
        return {
            page: bytes(self.data[where.start - BASE : where.end - BASE])
            for page in range(self.chip.page_count)
            if (where := self.chip.page_range(page))
        }


CHIPS = [chip(), chip(((4, 128), (2, 256), (1, 2048)), granule=16), chip(((32, 128),), granule=4, erased=0x00)]


@st.composite
def cases(draw: st.DrawFn) -> tuple[Chip, Image, bytes]:
    """A chip, an image of a few pieces anywhere in it, and what it holds: like the image in places, blank in others."""
    made = draw(st.sampled_from(CHIPS))
    size = made.flash_size
    pieces, at = [], 0
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(at, max(at, min(size - 2, at + 900))))
        if start >= size - 1:
            break
        length = draw(st.integers(1, min(700, size - start)))
        filler = draw(st.sampled_from([b"\xff", b"\x00", b""]))
        data = draw(st.binary(min_size=1, max_size=16))
        block = (data + filler * 40) * (length // (len(data) + 40 * len(filler)) + 1)
        pieces.append(Segment(BASE + start, block[:length]))
        at = start + length + 1
    image = Image("x", "raw", joined(pieces) if pieces else (Segment(BASE, b"\1"),))
    content = bytearray(draw(st.sampled_from([bytes((made.erased,)), b"\xa5", b"\x00"])) * size)
    for part in image.segments:
        if draw(st.booleans()):
            keep = draw(st.integers(0, part.size))
            content[part.address - BASE : part.address - BASE + keep] = part.data[:keep]
    return made, image, bytes(content)


OPTIONS = [
    Options(),
    Options(keep_neighbours=True),
    Options(changed_only=True),
    Options(changed_only=True, keep_neighbours=True),
    Options(erase_all=True),
]


@given(cases(), st.sampled_from(OPTIONS))
def test_every_plan_puts_the_image_there_and_takes_no_more_than_it_says(
    case: tuple[Chip, Image, bytes], options: Options
) -> None:
    made, image, content = case
    flash = Flash(made, content)
    plan = make_plan(image, made, programmer(), options, flash.pages() if options.needs_content else None)
    flash.carry_out(plan)

    for part in image.segments:  # everything in the image ends up in flash
        assert flash.data[part.address - BASE : part.end - BASE] == part.data
    told = [step.span for step in plan.all_verifies] + list(plan.already)
    for address in range(image.start, image.end):  # and is proven
        if image.read(address, 1) is not None:
            assert any(span.holds(address) for span in told)
    touched = set(made.pages_covering(image.spans))
    if not options.erase_all:
        assert flash.erased <= touched  # no other page is erased
    mine = {a for part in image.segments for a in range(part.address - BASE, part.end - BASE)}
    for at in range(made.flash_size):
        if at not in mine and flash.data[at] != content[at]:
            assert not options.keep_neighbours
            assert any(span.holds(BASE + at) for span in (*plan.lost, *plan.unread))
    writes = [step for step in flash.order if isinstance(step, WriteStep)]
    if plan.seal is not None:  # the block with the vector table goes last
        assert writes[-1] is plan.seal
        assert plan.seal.span.overlap(made.vectors) or plan.seal.span.holds(image.start)
    assert all(set(step.data) != {made.erased} for step in writes)  # blank blocks are left out


@given(cases(), st.sampled_from(OPTIONS))
def test_what_a_plan_says_of_a_board_that_is_cut_off_is_true(case: tuple[Chip, Image, bytes], options: Options) -> None:
    # DDI 0403, "The vector table": word 1 at the start is where the core begins
    made, image, content = case
    flash = Flash(made, content)
    plan = make_plan(image, made, programmer(), options, flash.pages() if options.needs_content else None)
    told = "\n".join(plan_lines(plan, outlook(plan, programmer(), 0.0001)))
    starts = [bytes(flash.data[4:8])]
    for step in plan.steps:
        flash.step(step)
        starts.append(bytes(flash.data[4:8]))
    if "does not start" in told:
        before_seal = starts[1 : plan.steps.index(plan.seal) + 1]
        assert set(before_seal) <= {bytes((made.erased,)) * 4}
    elif "stays as it is" in told:
        assert set(starts) == {starts[0]}
    elif plan.changes:
        assert "no program to start" in told
        assert starts[-1] == bytes((made.erased,)) * 4


@given(cases())
def test_only_pages_that_need_it_are_erased_when_only_changes_are_written(case: tuple[Chip, Image, bytes]) -> None:
    made, image, content = case
    flash = Flash(made, content)
    plan = make_plan(image, made, programmer(), Options(changed_only=True), flash.pages())
    for page in plan.erased_pages:
        where = made.page_range(page)
        granules = range(where.start, where.end, made.granule)
        needs = False
        for at in granules:
            old = content[at - BASE : at - BASE + made.granule]
            want = bytearray(old)
            for n in range(made.granule):
                byte = image.read(at + n, 1)
                if byte is not None:
                    want[n] = byte[0]
            needs |= bytes(want) != old and set(old) != {made.erased}
        assert needs, f"page {page} could have been written without an erase"
    again = Flash(made, content)
    again.carry_out(plan)
    assert not make_plan(image, made, programmer(), Options(changed_only=True), again.pages()).all_writes


@given(cases(), st.data())
def test_a_repair_makes_a_page_whole_whatever_became_of_it(
    case: tuple[Chip, Image, bytes], data: st.DataObject
) -> None:
    made, image, content = case
    flash = Flash(made, content)
    plan = make_plan(image, made, programmer(), Options(changed_only=True, keep_neighbours=True), flash.pages())
    flash.carry_out(plan)
    if not plan.content:
        return
    page = data.draw(st.sampled_from(sorted(plan.content)))
    where = made.page_range(page)
    good = bytes(flash.data)
    flash.data[where.start - BASE : where.end - BASE] = bytes(where.size)
    flash.order.clear()
    flash.carry_out(repair_plan(plan, (page,), programmer(), sealed=True))
    assert flash.data == good


def test_a_write_that_no_erase_precedes_cannot_be_planned() -> None:
    with pytest.raises(ValueError, match="neither erased nor blank"):
        Plan(chip(), erases=(), writes=(WriteStep(BASE, bytes(8)),), verifies=())


def test_no_erase_refuses_what_is_not_blank() -> None:
    made = chip()
    flash = Flash(made, b"\xff" * 100 + b"\0" + b"\xff" * (made.flash_size - 101))
    image = Image("x", "raw", (Segment(BASE, bytes(range(96))),))
    plan = make_plan(image, made, programmer(), Options(no_erase=True), flash.pages())
    assert not plan.erases
    with pytest.raises(UsageTrouble, match="not blank"):
        make_plan(
            Image("x", "raw", (Segment(BASE, b"\1" * 128),)), made, programmer(), Options(no_erase=True), flash.pages()
        )


@pytest.mark.parametrize("address", [BASE - 4, BASE + 4096 - 4, 0x2000_0000, 0x2000_0FFC, 0x1FFF_F800])
def test_what_is_not_memory_of_the_chip_is_refused(address: int) -> None:
    with pytest.raises(InputTrouble) as caught:
        make_plan(Image("x", "raw", (Segment(address, bytes(8)),)), chip(), programmer())
    assert caught.value.code == "outside-chip"


def test_a_program_for_ram_is_written_without_an_erase() -> None:
    plan = make_plan(Image("x", "raw", (Segment(0x2000_0402, b"abc"),)), chip(), programmer())
    assert plan.steps == (WriteStep(0x2000_0400, b"\0\0abc\0\0\0"), VerifyStep(0x2000_0402, b"abc"))


def test_parts_for_ram_that_share_a_word_are_one_write() -> None:
    image = Image("x", "raw", (Segment(0x2000_0401, b"a"), Segment(0x2000_0403, b"bc")))
    assert make_plan(image, chip(), programmer()).writes == (WriteStep(0x2000_0400, b"\0a\0bc\0\0\0"),)


def test_pages_are_erased_in_commands_that_the_chip_takes() -> None:
    made = replace(chip(), oddities=frozenset({"one-bank-2-page-per-erase", "pause-after-erase"}))
    steps = erase_plan(made, range(8), programmer()).erases
    # AN2606 Rev 70 Tables 108 and 112: bank 2 page by page, 40 ms in between; 3 at once as this chip says
    assert [step.pages for step in steps] == [(0, 1, 2), (3,), (4,), (5,), (6,), (7,)]
    assert {step.pause_s for step in steps} == {0.04}


def test_page_numbers_that_the_loader_cannot_say_are_refused() -> None:
    family = protocols.load("an3155")
    assert family.programmer is not None
    old = family.programmer(Identity(commands=("Erase",)))
    with pytest.raises(InputTrouble, match="cannot name page 256"):
        erase_plan(chip(((300, 64),)), (256,), old)


def test_the_expected_time_is_that_of_the_line_and_the_documents() -> None:
    image = Image("x", "raw", (Segment(BASE, bytes(range(256)) * 2),))
    plan = make_plan(image, chip(), programmer())
    said = outlook(plan, programmer(), 11 / 115200)
    # AN3155 Rev 20 s.3.4, s.3.6, s.3.8: 12 characters around a block, 7 and 2 a page around an Extended Erase
    assert said.erase_s == pytest.approx(0.02 + 9 * 11 / 115200)
    assert said.write_s == pytest.approx(2 * (0.01 + 268 * 11 / 115200))
    assert said.verify_s == pytest.approx(2 * 268 * 11 / 115200)
    assert said.wire_s == pytest.approx((9 + 4 * 268) * 11 / 115200)
    words = "\n".join(plan_lines(plan, said))
    for part in ("1 page", "512 bytes", "0x08000000", "at most about"):
        assert part in words
