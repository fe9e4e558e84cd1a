"""Flaws with parameters: how they are named, and what they do on the line."""

from __future__ import annotations

import contextlib
from collections.abc import Awaitable, Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench.board import Board
from console.bench.client import SimulatedBench
from console.bench.scenes import fault, setup_for, with_fault
from console.bench.setup import Mode, Setup
from console.bench.spoils import SPOILS, listed, spoiled
from console.errors import UsageTrouble
from tests.console.bench.conftest import Program

FLASH = 0x0800_0000


def board(*flaws: str) -> Board:
    setup = Setup()
    for flaw in flaws:
        setup = spoiled(setup, flaw)
    return Board(setup)


def ask(board: Board, data: bytes, at: float) -> bytes:
    board.host_writes(data, at)
    return board.due(at + 0.9)


@pytest.mark.parametrize("name", SPOILS)
def test_every_flaw_can_be_named_with_and_without_parameters(name: str) -> None:
    assert spoiled(Setup(), name) != Setup()
    shown = next(text for text in listed() if text.startswith(name + ":"))
    assert spoiled(Setup(), shown) == spoiled(Setup(), name)
    assert with_fault(Setup(), fault(shown)) == spoiled(Setup(), name)


def test_flaws_add_up() -> None:
    setup = setup_for(None, ("drop-byte:place=2", "drop-byte:place=3,way=to-host", "stuck-bit:bit=1", "stuck-bit"))
    assert len(setup.line_flaws) == len(setup.flaws.stuck_bits) == 2


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("melt", "stuck-bit"),
        ("stuck-bit:colour=1", "address=0x08000400"),
        ("stuck-bit:bit=three", "a number"),
        ("stuck-bit:bit", "a number"),
        ("drop-byte:place=0", "from 1"),
        ("drop-byte:way=up\x1b", "to-board"),
        ("late-ack:ms=-1", "a number"),
    ],
)
def test_a_flaw_that_does_not_fit_is_told_what_would(text: str, right: str) -> None:
    with pytest.raises(UsageTrouble) as refused:
        spoiled(Setup(), text)
    assert refused.value.code == "flaw"
    assert right in refused.value.help
    assert "\x1b" not in str(refused.value)


@given(st.text(max_size=40), st.sampled_from([*SPOILS, ""]))
def test_any_text_is_a_flaw_or_a_usage_trouble(text: str, name: str) -> None:
    with contextlib.suppress(UsageTrouble):
        assert isinstance(spoiled(Setup(), f"{name}:{text}"), Setup)


def test_a_lost_and_a_spoiled_byte_on_the_way_to_the_board() -> None:
    # AN3155 Rev 20 s.3: a command whose complement does not fit is refused; half a command waits for the rest
    lost = board("drop-byte:place=3")
    assert ask(lost, b"\x7f", 0.0) == b"\x79"
    assert ask(lost, b"\x02\xfd", 1.0) == b""
    assert ask(lost, b"\x02\xfd", 2.0)[:1] == b"\x1f"
    spoilt = board("corrupt-byte:place=3,mask=0x01")
    assert ask(spoilt, b"\x7f", 0.0) == b"\x79"
    assert ask(spoilt, b"\x02\xfd", 1.0) == b"\x1f"
    assert ask(spoilt, b"\x02\xfd", 2.0)[:1] == b"\x79"


def test_a_lost_and_a_spoiled_byte_on_the_way_to_the_host() -> None:
    # AN3155 Rev 20 s.3.3: Get ID is answered 79 01 04 10 79
    both = board("drop-byte:way=to-host,place=2", "corrupt-byte:way=to-host,place=4,mask=0x80")
    assert ask(both, b"\x7f", 0.0) == b"\x79"
    assert ask(both, b"\x02\xfd", 1.0) == bytes.fromhex("01 84 10 79")
    assert ask(both, b"\x02\xfd", 2.0) == bytes.fromhex("79 01 04 10 79")


@pytest.mark.parametrize(("flaw", "left"), [("reset-at:place=3", b""), ("reset-at:way=to-host,place=3", b"\x79\x01")])
def test_a_reset_in_the_middle_wants_a_new_sync(flaw: str, left: bytes) -> None:
    reset = board(flaw)
    assert ask(reset, b"\x7f", 0.0) == b"\x79"
    got = ask(reset, b"\x02\xfd", 1.0)
    assert got == left
    assert not reset.target.synchronised


def test_the_counts_begin_when_the_flaw_comes() -> None:
    good = board()
    assert ask(good, b"\x7f\x02\xfd", 0.0)[-1:] == b"\x79"
    good.spoil(spoiled(good.setup, "nack-command:at=1"))
    assert ask(good, b"\x02\xfd", 1.0) == b"\x1f"
    good.spoil(Setup())
    assert ask(good, b"\x02\xfd", 2.0)[:1] == b"\x79"


def test_a_supply_that_goes_during_an_erase_leaves_the_board_dark() -> None:
    dark = board("power-fails:at=1")
    dark.target.memory.load(FLASH, bytes(1024))
    ask(dark, b"\x7f", 0.0)
    assert ask(dark, b"\x43\xbc", 1.0) == b"\x79"
    got = ask(dark, b"\x00\x00\x00", 2.0)
    assert got == b"\x00"  # no acknowledge: the dead chip's clamp pulls the line low, which reads as one break
    assert dark.mode is Mode.OFF
    page = dark.target.memory.read(FLASH, 1024)
    assert page not in (bytes(1024), b"\xff" * 1024)


async def test_a_port_vanishes_at_its_place(
    bench: Callable[..., Awaitable[SimulatedBench]], program: Callable[..., Program], tmp_path: object
) -> None:
    one = await bench(link=f"{tmp_path}/board.port")
    port = program(one.port)
    await one.act("spoil", flaw="vanish-at:way=to-host,place=3")
    port.send(b"\x7f\x02\xfd")
    assert await port.receive(3) == b"\x79\x79\x01"
    with pytest.raises(EOFError):
        await port.receive(1)
    assert not (await one.act("status"))["present"]
    assert (await one.act("return"))["present"]


async def test_a_flaw_comes_by_name_at_the_start_and_is_taken_off(
    bench: Callable[..., Awaitable[SimulatedBench]], program: Callable[..., Program]
) -> None:
    one = await bench(fault="nack-command:at=1")
    port = program(one.port)
    port.send(b"\x7f\x02\xfd")
    assert await port.receive(2) == b"\x79\x1f"
    await one.act("spoil", flaw="nack-command:at=1")
    await one.act("heal-flaws")
    port.send(b"\x02\xfd")
    assert await port.receive(1) == b"\x79"
    with pytest.raises(UsageTrouble) as refused:
        await one.act("spoil", flaw="melt")
    assert refused.value.code == "flaw"
