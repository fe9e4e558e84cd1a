"""The board without a port: modes, autobaud, timing, faults. Time is a number here."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench.board import Board
from console.bench.hands import heal
from console.bench.setup import FLOOD_BYTES, Chatter, Firmware, Mode, Setup
from console.bench.wiring import Joint, Wiring
from protocols.uart import EIGHT_N_ONE

CHAR_S = 11 / 115200


def run(board: Board, data: bytes, at: float) -> bytes:
    board.host_writes(data, at)
    return board.due(at + 60 * CHAR_S + 0.01)


def test_the_sync_is_acknowledged_when_its_last_bit_and_the_answers_have_passed() -> None:
    # AN3155 Rev 20 s.1: 7F is answered by 79; 8E1 is 11 bits a character
    board = Board(Setup())
    board.host_writes(b"\x7f", 0.0)
    at = board.next_s()
    assert at is not None
    assert at == pytest.approx(2 * CHAR_S + board.target.chip.connection_s, abs=1e-9)
    assert board.due(at - 1e-6) == b""
    assert board.due(at) == b"\x79"


def test_characters_of_one_write_take_their_line_time() -> None:
    board = Board(Setup())
    board.host_writes(b"\x7f", 0.0)
    board.due(1.0)
    board.host_writes(b"\x02\xfd", 1.0)
    assert board.busy_until_s == pytest.approx(1.0 + 2 * CHAR_S)
    # AN3155 Rev 20 s.3.3: ACK, 1, id, ACK; AN2606 Rev 70 Table 226: id 410
    assert board.due(1.0 + 2 * CHAR_S) == b""
    assert board.due(2.0) == bytes.fromhex("79 01 04 10 79")


def test_who_hands_over_late_can_take_the_next_question_from_when_it_was_due() -> None:
    board = Board(Setup())
    board.host_writes(b"\x7f", 0.0)
    due = board.next_s()
    assert due is not None
    assert board.due(due + 0.005) == b"\x79"
    assert board.given_s == due
    board.host_writes(b"\x02\xfd", board.given_s)
    # AN3155 Rev 20 s.3.3: two characters out, five in; the chip's two waits between
    last = due + 7 * CHAR_S + 2 * board.target.chip.answer_s
    assert board.due(last - 1e-6) == bytes.fromhex("79 01 04 10")
    assert board.due(last + 1e-9) == b"\x79"


@pytest.mark.parametrize("baud", [1200, 9600, 57600, 74880, 115200, 250000, 1_000_000])
def test_the_rom_answers_at_the_rate_it_measured(baud: int) -> None:
    # AN2606 Rev 70 s.101.2: no rounding to a standard rate
    board = Board(Setup())
    board.baud = float(baud)
    board.host_writes(b"\x7f", 0.0)
    assert board.rate == pytest.approx(baud)
    assert board.due(1.0) == b"\x79"


@pytest.mark.parametrize("baud", [300, 600, 1100])
def test_below_1200_baud_the_rom_stays_deaf_until_reset(baud: int) -> None:
    # AN3155 Rev 20 s.2.1: below 1200 baud the timer overflows and the USART is not set up correctly
    board = Board(Setup())
    board.baud = float(baud)
    board.host_writes(b"\x7f", 0.0)
    board.baud = 115200.0
    board.host_writes(b"\x7f", 2.0)
    assert board.due(9.0) == b""
    board.reset(9.0)
    assert run(board, b"\x7f", 9.1) == b"\x79"


def test_a_character_that_is_no_sync_is_measured_all_the_same() -> None:
    # AN2606 Rev 70 s.101.2: a glitch or another character is taken as the sync and gives a wrong rate.
    # 1F: high for 5 bits between its first rise and the fall after it, not for 7
    board = Board(Setup())
    board.host_writes(b"\x1f", 0.0)
    assert board.rate == pytest.approx(115200 * 7 / 5)


def test_an_adapter_without_parity_gets_ack_and_then_nack() -> None:
    # even parity bit of 7F, 79 and 1F is 1, the level of a stop bit; that of 00 and FF is 0 (definition of parity)
    board = Board(Setup(adapter_frame=EIGHT_N_ONE, frame_pinned=True))
    assert run(board, b"\x7f", 0.0) == b"\x79"
    assert run(board, b"\x00\xff", 1.0)[:1] == b"\x1f"
    assert not board.set_frame(replace(EIGHT_N_ONE, parity="E"))


def test_a_mismeasured_rate_is_garbage_and_never_an_acknowledge() -> None:
    board = Board(Setup(rate_error=-0.12))
    got = b"".join(run(board, b"\x7f", float(n)) for n in range(6))
    assert got
    assert not set(got) & {0x79, 0x1F}


@pytest.mark.parametrize("wiring", [Wiring(crossed=False), Wiring(tx_joint=Joint.OPEN), Wiring(rx_joint=Joint.OPEN)])
def test_silence_that_hands_can_heal(wiring: Wiring) -> None:
    board = Board(Setup(wiring=wiring))
    board.opened(0.0)
    assert run(board, b"\x7f", 1.0) == b""
    board.rewire(replace(heal(board.setup).wiring, crossed=True), 2.0)
    board.reset(2.0)
    assert run(board, b"\x7f", 3.0) == b"\x79"


def test_strap_and_reset_together_enter_the_rom() -> None:
    # AN2606: the boot strap is sampled when reset ends
    board = Board(Setup(strap_boot=False))
    assert run(board, b"\x7f", 0.0) == b""
    board.strap(True)
    assert run(board, b"\x7f", 1.0) == b""
    board.reset(2.0)
    assert (run(board, b"\x7f", 3.0), board.mode) == (b"\x79", Mode.ROM)
    board.strap(False)
    board.reset(4.0)
    assert board.mode is Mode.APPLICATION


def test_a_strap_without_reset_is_silence() -> None:
    board = Board(Setup(in_loader=False))
    assert run(board, b"\x7f", 0.0) == b""
    board.reset(1.0)
    assert run(board, b"\x7f", 2.0) == b"\x79"


def test_power_off_pulls_the_line_low_once() -> None:
    # 16550 line status register: one zero per break
    board = Board(Setup())
    board.rewire(Wiring(powered=False), 1.0)
    assert board.due(5.0) == b"\x00"
    assert run(board, b"\x7f", 6.0) == b""
    board.rewire(Wiring(), 7.0)
    assert run(board, b"\x7f", 8.0) == b"\x79"


def test_a_line_low_before_opening_is_one_zero_after_it() -> None:
    board = Board(Setup(wiring=Wiring(powered=False)))
    assert board.due(1.0) == b""
    board.opened(2.0)
    assert board.due(3.0) == b"\x00"


def test_an_application_talks_and_does_not_listen() -> None:
    board = Board(Setup(strap_boot=False, firmware=Firmware.TALKS))
    assert b"tern:" in board.due(0.5)
    board.host_writes(b"\x7f", 0.6)
    assert b"\x79" not in board.due(2.0)


def test_the_flood_is_a_million_bytes_at_line_rate() -> None:
    board = Board(Setup(chatter=Chatter.FLOOD))
    board.opened(0.0)
    first = board.due(1.1)
    assert len(first) == pytest.approx(1 / CHAR_S, rel=0.01)
    assert len(first) + len(board.due(1000.0)) == FLOOD_BYTES


def test_noise_comes_before_the_acknowledge() -> None:
    board = Board(Setup(chatter=Chatter.NOISE))
    board.opened(0.0)
    got = run(board, b"\x7f", 0.5)
    assert len(got) > 1
    assert got.endswith(b"\x79")
    assert got.count(b"\x79") == 1


def test_an_intermittent_joint_differs_between_equal_attempts() -> None:
    board = Board(Setup(wiring=Wiring(tx_joint=Joint.INTERMITTENT)))
    board.host_writes(b"\x7f", 0.0)
    answers = {run(board, b"\x02\xfd", float(n)) for n in range(1, 20)}
    assert len(answers) > 1


@given(
    st.lists(st.tuples(st.binary(max_size=40), st.floats(0, 0.01)), max_size=8),
    st.sampled_from([1200.0, 9600.0, 115200.0, 1e6]),
    st.booleans(),
    st.booleans(),
)
def test_any_bytes_at_any_rate_leave_the_board_in_order(
    writes: list[tuple[bytes, float]], baud: float, parity: bool, bridged: bool
) -> None:
    frame = Setup().adapter_frame if parity else EIGHT_N_ONE
    board = Board(Setup(wiring=Wiring(bridged=bridged), adapter_frame=frame))
    board.baud = baud
    at = 0.0
    for data, gap in writes:
        board.host_writes(data, at)
        assert board.busy_until_s >= at
        at += gap
        board.due(at)
    echoed = board.due(1e9)
    assert board.next_s() is None
    if bridged:
        assert len(echoed) <= sum(len(data) for data, _ in writes)
