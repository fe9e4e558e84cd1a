"""What the logger's program reads back, against electrical facts of the trade; the source stands beside each check."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench import tern
from console.bench.board import Board
from console.bench.joints import Joints, Pull
from console.bench.logger import CLOCK_REGISTERS, FLASH_ID, FPGA_ID, Logger
from console.bench.setup import Firmware, Mode, Setup
from protocols.an3155.frames import xor
from protocols.uart import EIGHT_N_ONE

GOOD_CLOCK = bytes((CLOCK_REGISTERS[0x0F],))
TEMPERATURE = bytes((CLOCK_REGISTERS[0x11], CLOCK_REGISTERS[0x12]))


def read(**wrong: object) -> tuple[bytes, bytes, bytes | None]:
    """FPGA, flash, clock chip."""
    logger = Logger(Joints(**wrong))  # type: ignore[arg-type]
    return logger.fpga_id(), logger.flash_id(), logger.clock_id()


def test_a_good_board_reads_what_is_soldered() -> None:
    assert read() == (FPGA_ID, FLASH_ID, GOOD_CLOCK)
    assert Logger().temperature() == TEMPERATURE
    # JEP106: bytes of registered makers have odd parity, so this one is nobody's
    assert FLASH_ID[0].bit_count() % 2 == 0


ONES, ZEROS = b"\xff" * 3, b"\x00" * 3


@pytest.mark.parametrize(
    ("wrong", "fpga", "flash"),
    [
        # nothing drives the line and it is pulled up: all ones (public threads: no chip, no select, no clock, no data)
        ({"opens": ("U6.2",)}, FPGA_ID, ONES),
        ({"opens": ("U6.1",)}, FPGA_ID, ONES),
        ({"opens": ("U6.6",)}, FPGA_ID, ONES),
        ({"opens": ("U6.8",)}, FPGA_ID, ONES),
        ({"opens": ("U6.4",)}, FPGA_ID, ONES),
        ({"dead": ("U6",)}, FPGA_ID, ONES),
        ({"opens": ("U4.14",)}, FPGA_ID, ONES),
        ({"dead": ("U5",)}, b"\xff" * 4, FLASH_ID),
        ({"opens": ("U5.17",)}, b"\xff" * 4, FLASH_ID),
        # an open at the controller takes both chips away, an open at one chip takes one (derived)
        ({"opens": ("U4.16",)}, b"\xff" * 4, ONES),
        ({"opens": ("U4.15",)}, b"\xff" * 4, ONES),
        # the same open with a pull-down, or held low: all zeros (public threads; derived)
        ({"opens": ("U6.2",), "miso_pull": Pull.DOWN}, FPGA_ID, ZEROS),
        ({"bridges": (("U6.2", "U6.4"),)}, b"\x00" * 4, ZEROS),
        ({"bridges": (("U6.2", "U6.3"),)}, b"\xff" * 4, ONES),
        # select and data joined: low wins while selected (derived)
        ({"bridges": (("U6.1", "U6.2"),)}, FPGA_ID, ZEROS),
        # no clock in the FPGA: its output is driven and never changes (derived from how such logic is built)
        ({"dead": ("Y1",)}, b"\x00" * 4, FLASH_ID),
        ({"opens": ("U5.20",)}, b"\x00" * 4, FLASH_ID),
        ({"opens": ("R8.1",)}, b"\x00" * 4, FLASH_ID),
        # one of several supply pins may be open (derived)
        ({"opens": ("U5.5",)}, FPGA_ID, FLASH_ID),
        ({"opens": ("U5.5", "U5.30")}, b"\xff" * 4, FLASH_ID),
        # pins tied high through their joint have pull-ups of their own
        ({"opens": ("U6.7",)}, FPGA_ID, FLASH_ID),
        # the pull-up of a select line only matters while nobody drives it
        ({"opens": ("R9.1", "R10.2")}, FPGA_ID, FLASH_ID),
    ],
)
def test_the_serial_bus(wrong: dict[str, object], fpga: bytes, flash: bytes) -> None:
    assert read(**wrong) == (fpga, flash, GOOD_CLOCK)


def test_the_memorys_second_register_goes_over_the_same_joints() -> None:
    assert Logger().answer("mark memory?") == "mark memory: C3 5A"
    for wrong in ({"opens": ("U6.8",)}, {"opens": ("U6.2",)}, {"dead": ("U6",)}):
        logger = Logger(Joints(**wrong))  # type: ignore[arg-type]
        assert logger.answer("mark memory?") == "mark memory: FF FF"
        assert logger.answer("id memory?") == "memory: FF FF FF"


def test_a_floating_data_line_changes_from_reading_to_reading() -> None:
    # public threads: an undriven data line gave values that a probe changed
    logger = Logger(Joints(opens=("U6.2",), miso_pull=Pull.NONE))
    found = [logger.flash_id() for _ in range(8)]
    assert len(set(found)) > 4
    again = Logger(Joints(opens=("U6.2",), miso_pull=Pull.NONE))
    assert [again.flash_id() for _ in range(8)] == found  # by seed


def test_an_open_command_line_is_not_understood() -> None:
    # a chip that gets noise for a command knows none and says nothing: all ones, but for one chance in 256 (derived)
    logger = Logger(Joints(opens=("U6.5",)))
    assert sum(logger.flash_id() == ONES for _ in range(50)) >= 47


@pytest.mark.parametrize(
    "wrong",
    [
        # UM10204 Rev 7 s.3.1.1: without a pull-up the line cannot rise
        {"opens": ("R11.1",)},
        {"opens": ("R12.2",)},
        {"dead": ("R12",)},
        # s.3.1.6: a part that does not hear its address does not acknowledge
        {"opens": ("U7.5",)},
        {"opens": ("U7.6",)},
        {"opens": ("U7.8",)},
        {"opens": ("U7.4",)},
        {"dead": ("U7",)},
        {"opens": ("U4.42",)},
        {"opens": ("U4.43",)},
        # both lines in one: no start condition can be made (derived)
        {"bridges": (("U4.42", "U4.43"),)},
        {"bridges": (("U7.4", "U7.5"),)},
    ],
)
def test_the_two_wire_bus_gives_no_answer(wrong: dict[str, object]) -> None:
    joints = Joints(**wrong)  # type: ignore[arg-type]
    assert Logger(joints).clock_id() is None
    assert Logger(joints).temperature() is None
    assert (Logger(joints).fpga_id(), Logger(joints).flash_id()) == (FPGA_ID, FLASH_ID)
    assert Logger(joints).answer("id clock?") == "clock: no answer"


def test_mending_a_place_takes_away_what_is_wrong_there() -> None:
    wrong = Joints(opens=("U6.2", "U5.17"), bridges=(("U6.1", "U6.2"), ("U4.42", "U4.43")), dead=("Y1",))
    assert wrong.mended("U6.2") == Joints(opens=("U5.17",), bridges=(("U4.42", "U4.43"),), dead=("Y1",))
    assert wrong.mended("Y1").dead == ()
    assert wrong.mended("U4").bridges == (("U6.1", "U6.2"),)


BUS_PINS = [pin for pin in tern.NETS if pin.partition(".")[0] in ("U4", "U5", "U6", "U7")]


@settings(max_examples=60)
@given(
    st.lists(st.sampled_from(sorted(tern.PINS)), max_size=3, unique=True),
    st.lists(st.sampled_from([*combinations(BUS_PINS, 2)]), max_size=2),
    st.lists(st.sampled_from(sorted(tern.PARTS)), max_size=1),
    st.sampled_from(Pull),
)
def test_any_fault_reads_something_and_the_same_again(
    opens: list[str], bridges: list[tuple[str, str]], dead: list[str], pull: Pull
) -> None:
    joints = Joints(tuple(opens), tuple(bridges), tuple(dead), pull)
    for query in ("id fpga?", "id memory?", "mark memory?", "id clock?", "temperature?"):
        answer = Logger(joints).answer(query)
        assert answer == Logger(joints).answer(query)
        assert answer.isascii()
        assert answer.isprintable()


# --- over the serial port


def ask(board: Board, line: bytes, at: float) -> bytes:
    board.host_writes(line, at)
    return board.due(at + 0.5)


def test_the_program_answers_on_the_port() -> None:
    board = Board(Setup(strap_boot=False, firmware=Firmware.ANSWERS, adapter_frame=EIGHT_N_ONE))
    assert ask(board, b"id memory?\r\n", 1.0) == b"memory: 5A 31 14\r\n"
    assert ask(board, b"id fpga?\n", 2.0) == b"fpga: 7E 12 0B 31\r\n"
    assert ask(board, b"\x7f\xff\x00\r\n", 3.0) == b"tern: what?\r\n"
    assert ask(board, b"x" * 500, 4.0) == b""
    # 8E1: the receiver takes the parity bit for the stop bit; characters with an even number of ones are lost
    board.set_frame(replace(EIGHT_N_ONE, parity="E"))
    assert ask(board, b"\r\nwho?\r\n", 5.0) != b"tern: logger, program 1\r\n"


def test_a_programmed_chip_runs_after_go_and_after_a_reset_without_the_strap() -> None:
    # AN3155 Rev 20 s.3.5: Go takes the address of the vectors and jumps to what stands at address + 4
    board = Board(Setup())
    image = bytes.fromhex("0050002031010008")
    head, body = b"\x08\x00\x00\x00", bytes((len(image) - 1,)) + image
    assert ask(board, b"\x7f", 0.0) == b"\x79"
    for at, data in enumerate((b"\x31\xce", head + bytes((xor(head),)), body + bytes((xor(body),)), b"\x21\xde"), 1):
        assert ask(board, data, float(at)) == b"\x79"
    assert ask(board, head + bytes((xor(head),)), 6.0) == b"\x79"
    assert board.mode is Mode.APPLICATION
    board.set_frame(EIGHT_N_ONE)
    assert ask(board, b"who?\n", 7.0) == b"tern: logger, program 1\r\n"
    board.strap(False)
    board.reset(8.0)
    assert ask(board, b"id clock?\n", 9.0) == b"clock: 3C\r\n"


def test_blank_flash_runs_into_nothing() -> None:
    board = Board(Setup(strap_boot=False, adapter_frame=EIGHT_N_ONE))
    assert ask(board, b"who?\n", 1.0) == b""


def test_mending_starts_the_board_anew() -> None:
    joints = Joints(dead=("Y1",))
    board = Board(Setup(strap_boot=False, firmware=Firmware.ANSWERS, adapter_frame=EIGHT_N_ONE, joints=joints))
    assert ask(board, b"id fpga?\n", 1.0) == b"fpga: 00 00 00 00\r\n"
    board.mend(joints.mended("Y1"), 2.0)
    assert ask(board, b"id fpga?\n", 3.0) == b"fpga: 7E 12 0B 31\r\n"


def test_eyes_see_at_a_pin_what_is_wrong_there_and_nothing_else() -> None:
    joints = Joints(opens=("U6.2",), bridges=(("U6.1", "U6.2"), ("U4.1", "U4.2")), dead=("U6",))
    assert joints.at("U6.2") == [["U6.2"], ["U6.1", "U6.2"]]
    assert joints.at("U6.1") == [["U6.1", "U6.2"]]
    assert joints.at("U6.3") == joints.at("U6") == []
