"""A whole bench in its own process, met through a real port by a program that knows nothing of the console.

The symptoms follow from how a UART idles and from AN3155 Rev 20; the byte values are that note's.
"""

from __future__ import annotations

import asyncio
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from console.bench import registry
from console.bench.client import SimulatedBench
from console.errors import PortTrouble, UsageTrouble

Start = Callable[..., Awaitable[SimulatedBench]]
Open = Callable[..., Any]
GET = bytes.fromhex("00 FF")
# AN3155 Rev 20 s.3.1: ACK, count, version, opcodes, ACK; version 2.2 is AN2606's for the F10x
GET_ANSWER = bytes.fromhex("79 0B 22 00 01 02 11 21 31 43 63 73 82 92 79")


async def test_a_good_board_wakes_and_answers(bench: Start, program: Open) -> None:
    port = program((await bench()).port)
    port.send(b"\x7f")
    assert await port.receive(1) == b"\x79"
    port.send(GET)
    assert await port.receive(15) == GET_ANSWER


async def test_uncrossed_wires_are_silent_until_they_are_swapped(bench: Start, program: Open) -> None:
    board = await bench(fault="wires-uncrossed", paced=False)
    port = program(board.port)
    port.send(b"\x7f")
    # the answer to an action comes after the bench has worked through what was written before
    assert not (await board.act("status"))["crossed"]
    assert port.waiting() == b""
    assert (await board.act("swap-wires"))["crossed"]
    port.send(b"\x7f")
    assert await port.receive(1) == b"\x79"


async def test_a_frame_without_parity_is_acknowledged_and_then_refused(bench: Start, program: Open) -> None:
    board = await bench(fault="frame-format-wrong")
    assert (await board.act("adapter-frame", frame="8E1"))["frame"] == "8N1"
    port = program(board.port)
    port.send(b"\x7f")
    assert await port.receive(1) == b"\x79"
    port.send(GET)
    assert await port.receive(1) == b"\x1f"


@pytest.mark.parametrize("fault", ["target-unpowered", "board-tx-held-low"])
async def test_a_line_held_low_is_one_zero_on_opening(fault: str, bench: Start, program: Open) -> None:
    port = program((await bench(fault=fault)).port)
    assert await port.receive(1) == b"\x00"


async def test_a_bridge_gives_the_own_bytes_back(bench: Start, program: Open) -> None:
    port = program((await bench(fault="tx-rx-shorted")).port)
    port.send(b"\x7f\x01\xfe\x55")
    assert await port.receive(4) == b"\x7f\x01\xfe\x55"


async def test_readout_protection_refuses_memory_and_nothing_else(bench: Start, program: Open) -> None:
    # AN3155 Rev 20 Table 2 note 2
    port = program((await bench(fault="readout-protected")).port)
    port.send(b"\x7f")
    assert await port.receive(1) == b"\x79"
    port.send(GET)
    assert await port.receive(15) == GET_ANSWER
    port.send(b"\x11\xee")
    assert await port.receive(1) == b"\x1f"


async def test_an_application_talks_unasked(bench: Start, program: Open) -> None:
    port = program((await bench(fault="application-running")).port)
    assert b"tern" in await port.receive(40)


@pytest.mark.parametrize("fault", ["noise", "hostile"])
async def test_bytes_from_the_board_arrive_as_they_are(fault: str, bench: Start, program: Open) -> None:
    port = program((await bench(fault=fault)).port)
    first = await port.receive(8)
    assert (b"\x1b" in first) == (fault == "hostile")


async def test_the_flood_is_a_million_bytes(bench: Start, program: Open) -> None:
    port = program((await bench(fault="flood", paced=False)).port)
    assert len(await port.receive(1_000_000)) == 1_000_000


async def test_a_wrong_rate_is_answered_with_garbage(bench: Start, program: Open) -> None:
    port = program((await bench(fault="baud-too-far")).port)
    port.send(b"\x7f")
    assert await port.receive(1) not in (b"\x79", b"\x1f")


async def test_the_rate_is_read_from_the_port(bench: Start, program: Open) -> None:
    board = await bench()
    port = program(board.port, 9600)
    port.send(b"\x7f")
    assert await port.receive(1) == b"\x79"
    assert (await board.act("status"))["baud"] == 9600


async def test_reset_forgets_the_sync_and_the_next_program_can_start_over(bench: Start, program: Open) -> None:
    board = await bench()
    for _ in range(2):
        port = program(board.port)
        port.send(b"\x7f")
        assert await port.receive(1) == b"\x79"
        port.close()
        assert not (await board.act("reset"))["synchronised"]


async def test_vanishing_is_a_hang_up_and_it_returns_under_its_link(
    bench: Start, program: Open, tmp_path: Path
) -> None:
    link = tmp_path / "board.port"
    board = await bench(link=link)
    assert board.port == str(link)
    port = program(str(link))
    port.send(b"\x7f")
    assert await port.receive(1) == b"\x79"
    assert not (await board.act("vanish"))["present"]
    with pytest.raises(EOFError):
        await port.receive(1)
    assert not link.is_symlink()
    assert registry.running() == []
    assert registry.find(str(link)) is not None  # so that it can be told to return
    assert (await board.act("return"))["present"]
    port.close()
    again = program(str(link))
    again.send(b"\x02\xfd")
    assert await again.receive(5) == bytes.fromhex("79 01 04 10 79")
    await board.stop()
    assert not link.is_symlink()
    assert registry.running() == []


async def test_a_socket_carries_the_same_bytes(bench: Start, program: Open) -> None:
    board = await bench(socket=True)
    assert board.port.startswith("socket://127.0.0.1:")
    for answer in (b"\x79", b"\x1f"):  # the second: 7F is no command (AN3155 Rev 20 s.3)
        port = program(board.port)
        port.send(b"\x7f" if answer == b"\x79" else b"\x7f\x7f")
        assert await port.receive(1) == answer
        port.close()


async def test_a_second_program_on_the_socket_is_sent_away_and_none_of_its_bytes_reach_the_board(
    bench: Start, program: Open
) -> None:
    board = await bench(socket=True, paced=False)
    first = program(board.port)
    first.send(b"\x7f")
    assert await first.receive(1) == b"\x79"
    first.send(GET[:1])  # in the middle of a command, where a foreign byte does most
    second = program(board.port)
    second.send(b"\x7f")
    with pytest.raises(EOFError):
        await second.receive(1)
    first.send(GET[1:])
    assert await first.receive(15) == GET_ANSWER
    first.close()
    third = program(board.port)  # whoever comes after it is let in at once
    third.send(GET)
    assert await third.receive(15) == GET_ANSWER


async def test_a_file_in_the_place_of_the_link_is_left_alone(tmp_path: Path) -> None:
    place = tmp_path / "precious"
    place.write_text("mine", encoding="utf-8")
    async with SimulatedBench() as board:
        with pytest.raises(UsageTrouble, match="link-path"):
            await board.start(link=place)
    assert place.read_text(encoding="utf-8") == "mine"
    assert set(os.listdir(tmp_path)) == {"home", "precious"}


async def test_wrong_names_and_actions_are_refused_in_words(bench: Start) -> None:
    with pytest.raises(UsageTrouble, match="no fault"):
        await bench(fault="unheard")
    board = await bench()
    for action, fields, code in (
        ("explode", {}, "bench-action"),
        ("fault", {"name": "unheard"}, "fault"),
        ("adapter-frame", {"frame": "9X9"}, "bench-request"),
        ("adapter-baud", {"baud": 0}, "bench-request"),
    ):
        with pytest.raises(UsageTrouble) as refused:
            await board.act(action, **fields)  # type: ignore[arg-type]
        assert refused.value.code == code
        assert refused.value.help


async def test_a_wrong_token_is_refused_by_the_running_bench(bench: Start) -> None:
    await bench()
    (entry,) = registry.running()
    reader, writer = await asyncio.open_connection("127.0.0.1", entry.control)
    writer.write(b'{"token": "guess", "action": "power-off"}\n')
    assert b"bench-token" in await reader.readline()
    writer.close()
    await writer.wait_closed()


async def test_a_fault_can_be_staged_while_it_runs(bench: Start, program: Open) -> None:
    board = await bench(scene="tern-12")
    port = program(board.port)
    port.send(b"\x7f")
    assert await port.receive(1) == b"\x79"
    await board.act("fault", name="target-unpowered")
    assert await port.receive(1) == b"\x00"
    await board.act("power-on")
    port.send(b"\x7f")
    assert await port.receive(1) == b"\x79"


async def test_the_process_ends_with_its_parent_and_twice_is_once(bench: Start) -> None:
    board = await bench()
    (entry,) = registry.running()
    await board.stop()
    await board.stop()
    assert not registry.alive(entry.pid)
    with pytest.raises(PortTrouble) as gone:
        await board.act("status")
    assert gone.value.code == "bench-gone"


async def test_what_a_meter_and_eyes_find_through_the_control_connection(bench: Start) -> None:
    board = await bench(fault=["bridge-pins:a=U4.8,b=U4.9", "open-pin:pin=D1.1"], paced=False)
    assert (await board.act("measure", at="+3V3 GND"))["value"] == pytest.approx(0.5, abs=0.01)
    assert (await board.act("measure", at="+3V3"))["value"] < 0.3
    assert (await board.act("measure", at="+1V2"))["value"] < 0.1
    assert not (await board.act("measure", at="no such place"))["known"]
    assert not (await board.act("watch", part="D1"))["so"]
    assert (await board.act("mend", place="U4.9"))["changed"]
    assert (await board.act("measure", at="+3V3"))["value"] == pytest.approx(3.3, abs=0.165)
    assert not (await board.act("mend", place="U4.9"))["changed"]


async def test_a_port_that_a_joint_takes_away_comes_back_under_its_name(bench: Start, tmp_path: Path) -> None:
    port = tmp_path / "board.port"
    board = await bench(fault="open-pin:pin=J1.3", link=port, paced=False)
    assert not port.exists()
    assert (await board.act("mend", place="J1.3"))["present"]
    assert port.exists()
