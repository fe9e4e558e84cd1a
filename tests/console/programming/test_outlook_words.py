"""What a plan says before it runs is true for what it does, and for what was looked at."""

from __future__ import annotations

import pytest

from console.images.image import Image, Segment, Span
from console.programming.chip_file import find_chip
from console.programming.outlook import outlook, plan_lines
from console.programming.plan import Options, Plan
from console.programming.planner import erase_plan, make_plan
from protocols.an3155.programmer import programmer
from protocols.family import Identity

CHIP = find_chip("0x410")
PROGRAMMER = programmer(Identity())
PAGE = 1024  # DS5319: F10x medium density
IMAGE = Image("x", "raw", (Segment(CHIP.flash_start, b"\x01" * 1000),))


def words(plan: Plan) -> str:
    return "\n".join(plan_lines(plan, outlook(plan, PROGRAMMER, 95.5e-6)))


def test_what_was_not_read_is_not_said_to_be_lost() -> None:
    told = words(make_plan(IMAGE, CHIP, PROGRAMMER))
    assert "erased beside the image, whatever is there: 0x080003E8-0x080003FF (24 bytes)" in told
    assert "lost" not in told


def test_what_was_read_and_is_erased_is_said() -> None:
    there = {0: b"\x01" * 500 + bytes(500) + b"\xff" * 20 + b"\x07" + b"\xff" * 3}
    told = words(make_plan(IMAGE, CHIP, PROGRAMMER, Options(changed_only=True), there))
    assert "erased beside the image: 0x080003E8-0x080003FF (24 bytes)" in told
    there = {0: b"\x01" * 500 + bytes(500) + b"\xff" * 24}
    assert "beside" not in words(make_plan(IMAGE, CHIP, PROGRAMMER, Options(changed_only=True), there))


@pytest.mark.parametrize(
    ("pages", "said"),
    [
        ((0, 1), "it has no program to start until one is written"),
        (None, "it has no program to start until one is written"),
        ((3,), "it may start a program of which parts are gone"),
    ],
)
def test_an_erase_says_what_it_does_to_the_start(pages: tuple[int, ...] | None, said: str) -> None:
    told = words(erase_plan(CHIP, pages, PROGRAMMER))
    assert said in told
    assert "is not written" not in told


@pytest.mark.parametrize(
    ("options", "last", "said"),
    [
        # the page of the vector table is written again with what is kept on it: that block goes last
        (Options(keep_neighbours=True), "0x08000000, which the chip starts from", "does not start"),
        (Options(), "the image's first block, at 0x08000200", "is erased and not written"),
    ],
)
def test_an_image_behind_the_vector_table_says_what_a_cut_leaves(options: Options, last: str, said: str) -> None:
    app = Image("x", "raw", (Segment(CHIP.flash_start + 0x200, bytes(range(1, 251)) * 12),))
    there = {page: b"\x07" * PAGE for page in range(4)}
    plan = make_plan(app, CHIP, PROGRAMMER, options, there)
    told = words(plan)
    assert f"last of all: {'the block at ' if 'chip' in last else ''}{last}" in told
    assert said in told
    assert plan.seal is not None
    assert plan.seals_start is options.keep_neighbours
    assert sum(step.span.overlap(CHIP.vectors) is not None for step in plan.writes) == 0


@pytest.mark.parametrize("ranges", [(), (Span(0x0800_4400, 0x400),)])
def test_a_start_that_a_plan_leaves_alone_may_start_what_is_half_there(ranges: tuple[Span, ...]) -> None:
    app = Image("x", "raw", (Segment(CHIP.flash_start + 0x4000, bytes(range(1, 251)) * 12),))
    told = words(make_plan(app, CHIP, PROGRAMMER, Options(ranges=ranges)))
    assert "at 0x08000000, stays as it is: a board cut off on the way may start a program" in told
    assert "does not start" not in told


def test_a_plan_with_nothing_to_do_promises_no_times() -> None:
    there = {0: b"\x01" * 1000 + b"\xff" * 24}
    plan = make_plan(IMAGE, CHIP, PROGRAMMER, Options(changed_only=True), there)
    assert not plan.changes
    assert words(plan).splitlines()[1:] == ["found right already: 0x08000000-0x080003E7 (1000 bytes)"]


def test_one_byte_is_one_byte() -> None:
    one = Image("x", "raw", (Segment(CHIP.ram[0].end - 4, b"\x01\x02\x03\x04"),))
    assert "write: 4 bytes in 1 block," in words(make_plan(one, CHIP, PROGRAMMER))
