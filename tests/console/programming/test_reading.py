"""What is read to be kept is right, though an answer of the chip carries no check of its own (AN3155 Rev 20 s.3.4)."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from console.images.image import Span
from console.programming.chip_file import find_chip
from console.programming.chips import Chip
from console.programming.planner import erase_plan
from console.programming.stages import Content, Work, read_stage
from protocols.an3155.programmer import programmer
from protocols.conversation import Conversation, Send, Want
from protocols.errors import NoReply, TheirBehaviour
from protocols.family import Identity

MEMORY = bytes((n * 7 + 3) & 0xFF for n in range(2048))
START = 0x0800_0000
SPAN = Span(START, 1000)


def reading(chip: Chip, spoil: dict[int, int], like: Content | None = None) -> tuple[list[bytes] | Exception, int]:
    """Read SPAN from a perfect memory over a line that changes the n-th byte it brings by a mask; reads counted."""
    offered = programmer(Identity(commands=("Get", "Read Memory")))
    reads = brought = 0

    def read(address: int, count: int) -> Conversation[bytes]:
        nonlocal reads, brought
        reads += 1
        at = address - START
        got = bytes(byte ^ spoil.get(brought + n, 0) for n, byte in enumerate(MEMORY[at : at + count]))
        brought += count
        return got
        yield  # a conversation that needs nothing from the line

    offered = replace(offered, read=read)
    work = Work(offered, erase_plan(chip, (), offered))
    conversation = read_stage(work, [SPAN], like)
    try:
        ask = next(conversation)
        while True:
            assert not isinstance(ask, Send | Want)
            ask = conversation.send(b"")
    except StopIteration as stop:
        return stop.value, reads
    except TheirBehaviour as error:
        return error, reads


@settings(max_examples=200)
@given(places=st.sets(st.integers(0, 4000), max_size=8), first=st.integers(1, 247))
def test_what_the_line_spoils_never_gets_into_what_was_read(places: set[int], first: int) -> None:
    """Each byte is spoilt in its own way: what two readings spoil alike nobody can tell."""
    got, _ = reading(find_chip("0x410"), {place: first + n for n, place in enumerate(sorted(places))})
    assert isinstance(got, TheirBehaviour) or got == [MEMORY[: SPAN.size]]


def test_a_line_that_never_brings_the_same_twice_is_an_error_and_no_data() -> None:
    # another mask for each byte in turn: neighbours in time never agree
    got, _ = reading(find_chip("0x410"), {n: 1 + n % 251 for n in range(100_000)})
    assert isinstance(got, TheirBehaviour)
    assert not isinstance(got, NoReply)
    assert "the same twice from 0x08000000" in str(got)


def test_a_block_that_is_as_the_image_has_it_is_read_once() -> None:
    chip = find_chip("0x410")
    blocks = 4  # 1000 bytes in blocks of at most 256
    assert reading(chip, {}) == ([MEMORY[: SPAN.size]], 2 * blocks)
    held: Content = lambda address, size: MEMORY[address - START : address - START + size]  # noqa: E731
    assert reading(chip, {}, held) == ([MEMORY[: SPAN.size]], blocks)
    other: Content = lambda address, size: bytes(size) if address == START else held(address, size)  # noqa: E731
    assert reading(chip, {}, other) == ([MEMORY[: SPAN.size]], blocks + 1)
