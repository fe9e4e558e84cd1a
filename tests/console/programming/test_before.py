"""What a resumed run puts back beside its image: the old content where a backup has it, and nothing else."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from console.images.image import Image, Segment, Span
from console.programming.before import Before, blank_beside, goal, unlike
from console.programming.chips import Chip
from console.programming.plan import Options
from console.programming.planner import make_plan
from tests.console.programming.test_plan import BASE, Flash, cases, programmer


def held(chip: Chip, image: Image, old: bytes) -> Before:
    units = chip.pages_covering(image.spans)
    return Before(BASE, old, tuple(chip.page_range(unit) for unit in units))


@given(cases(), st.data())
def test_whatever_a_cut_left_the_resume_brings_image_and_old_neighbours(
    case: tuple[Chip, Image, bytes], data: st.DataObject
) -> None:
    chip, image, old = case
    flash = Flash(chip, old)
    steps = make_plan(image, chip, programmer(), Options(changed_only=True, keep_neighbours=True), flash.pages()).steps
    for step in steps[: data.draw(st.integers(0, len(steps)))]:
        flash.step(step)
    before = held(chip, image, old)
    assert unlike(image, chip, (), before, flash.pages()) == []  # a cut leaves the old there, or nothing
    whole, put_back = goal(image, chip, (), before)
    flash.order.clear()
    flash.carry_out(
        make_plan(whole, chip, programmer(), Options(changed_only=True, keep_neighbours=True), flash.pages())
    )
    wanted = bytearray(old)
    for part in image.segments:
        wanted[part.address - BASE : part.end - BASE] = part.data
    assert flash.data == wanted
    blank = {chip.erased}
    assert all(set(before.read(span)) - blank for span in put_back)
    assert not any(span.overlap(part) for span in put_back for part in image.spans)


@given(cases(), st.data())
def test_without_a_backup_what_may_be_lost_is_named(case: tuple[Chip, Image, bytes], data: st.DataObject) -> None:
    chip, image, old = case
    flash = Flash(chip, old)
    steps = make_plan(image, chip, programmer(), Options(keep_neighbours=True), flash.pages()).steps
    for step in steps[: data.draw(st.integers(0, len(steps)))]:
        flash.step(step)
    pages = {page: each for page, each in flash.pages().items() if page in chip.pages_covering(image.spans)}
    named = blank_beside(image, chip, (), pages, 256)
    gone = [at for at, (was, now) in enumerate(zip(old, flash.data, strict=True)) if was != now == chip.erased]
    mine = {at for part in image.spans for at in range(part.start, part.end)}
    assert all(any(span.holds(BASE + at) for span in named) for at in gone if BASE + at not in mine)
    assert all(set(flash.data[span.start - BASE : span.end - BASE]) == {chip.erased} for span in named)


def test_only_what_was_to_be_kept_comes_back(f10x: Chip) -> None:
    # DS5319: pages of 1 KiB; the image touches three, of two the neighbours were to be kept
    image = Image("x", "raw", (Segment(BASE + 0x200, bytes(range(1, 201)) * 12),))
    old = b"\x07" * 0x1000
    before = Before(BASE, old, (Span(BASE, 0x400), Span(BASE + 0x800, 0x400)))
    whole, put_back = goal(image, f10x, (), before)
    assert put_back == (Span(BASE, 0x200), Span(BASE + 0xB60, 0xA0))
    assert whole.segments == (Segment(BASE, b"\x07" * 0x200 + image.segments[0].data + b"\x07" * 0xA0),)
    part = (Span(BASE + 0x900, 0x10),)
    whole, put_back = goal(image, f10x, part, before)
    assert put_back == (Span(BASE + 0x800, 0x100), Span(BASE + 0x910, 0x2F0))
    assert whole.start == BASE + 0x800


def test_what_another_board_holds_is_seen(f10x: Chip) -> None:
    image = Image("x", "raw", (Segment(BASE + 0x10, bytes(0x1000)),))
    before = held(f10x, image, b"\x07" * 0x2000)
    now = dict.fromkeys(range(5), b"\x07" * 0x400)
    assert unlike(image, f10x, (), before, now) == []
    now[0] = b"\x09" + now[0][1:]
    now[4] = now[4][:-1] + b"\x05"
    now[2] = b"\x05" * 0x400  # the image's own
    assert unlike(image, f10x, (), before, now) == [0, 4]
