"""Frames, bit times and tolerances against printed tables."""

from __future__ import annotations

import pytest

from protocols.uart import EIGHT_E_ONE, EIGHT_N_ONE, Frame, break_s, centre_tolerance, parity_bit, voting_range

# Microchip DS40002061A Tables 20-2 and 20-3, ATmega8A data sheet Tables 24-2 and 24-3: D, slow %, fast %
NORMAL = [(5, 93.20, 106.67), (6, 94.12, 105.79), (7, 94.81, 105.11), (8, 95.36, 104.58), (9, 95.81, 104.14)]
DOUBLE = [(5, 94.12, 105.66), (6, 94.92, 104.92), (7, 95.52, 104.35), (8, 96.00, 103.90), (9, 96.39, 103.53)]
# row D = 10 (nine data bits and parity) is beyond a Frame; the formula takes D as data plus parity bits
NORMAL_10, DOUBLE_10 = (96.17, 103.78), (96.70, 103.23)


def with_bits(bits: int) -> Frame:
    """A frame with so many data and parity bits together (5 to 10)."""
    return Frame(bits) if bits < 5 else Frame(bits - 1, "E") if bits > 8 else Frame(bits, "N")


@pytest.mark.parametrize(("bits", "slow", "fast"), [*NORMAL, (10, *NORMAL_10)])
def test_operational_range_at_normal_speed(bits: int, slow: float, fast: float) -> None:
    got = voting_range(with_bits(bits))
    assert [100 * ratio for ratio in got] == pytest.approx([slow, fast], abs=0.0051)


@pytest.mark.parametrize(("bits", "slow", "fast"), [*DOUBLE, (10, *DOUBLE_10)])
def test_operational_range_at_double_speed(bits: int, slow: float, fast: float) -> None:
    # printed 104.35 and 96.70 are cut or rounded from 104.348 and 96.703
    got = voting_range(with_bits(bits), samples=8, first=4, middle=5)
    assert [100 * ratio for ratio in got] == pytest.approx([slow, fast], abs=0.0051)


def test_centre_sampling_of_an_eleven_bit_frame() -> None:
    # NEC U16035EJ1V0UM Figure 13-6: 15.5 T of 320 T, +-4.84 %
    assert 100 * centre_tolerance(EIGHT_E_ONE) == pytest.approx(4.84, abs=0.005)


@pytest.mark.parametrize(
    ("baud", "ten_us", "eleven_us"),
    [
        (1200, 8333.3, 9166.7),
        (9600, 1041.7, 1145.8),
        (57600, 173.6, 191.0),
        (115200, 86.8, 95.5),
        (230400, 43.4, 47.7),
        (921600, 10.9, 11.9),
    ],
)
def test_shortest_break(baud: int, ten_us: float, eleven_us: float) -> None:
    # 16550: one full word; the times are that definition's arithmetic
    assert 1e6 * break_s(EIGHT_N_ONE, baud) == pytest.approx(ten_us, abs=0.06)
    assert 1e6 * break_s(EIGHT_E_ONE, baud) == pytest.approx(eleven_us, abs=0.06)


def test_parity_of_the_bytes_that_hide_a_wrong_frame() -> None:
    # definition of even parity; these three have an odd number of ones, so their parity bit looks like a stop bit
    assert [parity_bit(byte, EIGHT_E_ONE) for byte in (0x7F, 0x79, 0x1F)] == [1, 1, 1]
    assert [parity_bit(byte, EIGHT_E_ONE) for byte in (0x55, 0x00, 0xFF)] == [0, 0, 0]
    assert [parity_bit(byte, Frame(8, "O")) for byte in (0x7F, 0x00)] == [0, 1]


@pytest.mark.parametrize(
    ("text", "bits"), [("8N1", 10), ("8E1", 11), ("8O1", 11), ("8N2", 11), ("7E1", 10), ("8E2", 12)]
)
def test_bits_per_character(text: str, bits: int) -> None:
    # definition: start + data + parity + stop
    assert Frame.parse(text).bits == bits
    assert str(Frame.parse(text)) == text


@pytest.mark.parametrize("text", ["", "8X1", "9N1", "8N3", "8N", "8N1x", "４N1"])
def test_no_frame(text: str) -> None:
    with pytest.raises(ValueError, match="not a character frame"):
        Frame.parse(text)
