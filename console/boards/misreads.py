"""What a known value turns into when a line, a clock or the order of bits is wrong. Arithmetic, no words of advice.

A value of `width` bits stands as it is written in a data sheet: the byte that arrives first is the most significant.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from functools import cache, partial
from typing import Final

LEAST_WIDTH: Final = 1
MOST_WIDTH: Final = 128


class Bus(StrEnum):
    """How the value came: over one data line, or over one line per bit."""

    SPI = "spi"
    I2C = "i2c"
    UART = "uart"
    JTAG = "jtag"
    PARALLEL = "parallel"


@dataclass(frozen=True, slots=True)
class Misread:
    """One way to misread. `pattern` is the id of its explanation, `fit` says in words what exactly was done.

    `reads(value, width)` is what is read instead of `value`. `bits` are the bits that are to blame, 0 the least.
    """

    pattern: str
    fit: str
    reads: Callable[[int, int], int]
    bits: tuple[int, ...] = ()


@cache
def misreads(width: int, bus: Bus) -> tuple[Misread, ...]:
    """Every way to misread a value of `width` bits on `bus` that gives one certain value.

    Joined lines exist only where each bit has its own line. Raises ValueError when `width` is not 1 to 128.
    """
    if not LEAST_WIDTH <= width <= MOST_WIDTH:
        raise ValueError(f"a width of {width} bits is not {LEAST_WIDTH} to {MOST_WIDTH}")
    return tuple(_all(width, bus))


def _all(width: int, bus: Bus) -> Iterator[Misread]:
    yield Misread("all-ones", "every bit is 1", lambda value, width: _ones(width))
    yield Misread("all-zeros", "every bit is 0", lambda value, width: 0)
    yield Misread("inverted", "every bit inverted", lambda value, width: value ^ _ones(width))
    if width > 1:
        for fill in (0, 1):
            yield Misread("shifted", f"left by 1, filled with {fill}", partial(_left, fill=fill))
            yield Misread("shifted", f"right by 1, filled with {fill}", partial(_right, fill=fill))
        yield Misread("shifted", "rotated left by 1", lambda v, width: _left(v, width, fill=v >> (width - 1)))
        yield Misread("shifted", "rotated right by 1", lambda v, width: _right(v, width, fill=v & 1))
        yield Misread("bit-reversed", "all bits in reverse order", _reversed)
    if width % 8 == 0 and width > 8:
        yield Misread("bit-reversed", "bits in reverse order in each byte", _reversed_bytewise)
        yield Misread("order-swapped", "bytes in reverse order", _bytes_swapped)
    if width == 32:
        yield Misread("order-swapped", "16-bit halves swapped", lambda v, width: (v << 16 | v >> 16) & _ones(width))
    for bit in range(width):
        yield Misread("bit-stuck", f"bit {bit} stuck at 0", partial(_stuck, bit=bit, level=0), (bit,))
        yield Misread("bit-stuck", f"bit {bit} stuck at 1", partial(_stuck, bit=bit, level=1), (bit,))
    if bus is Bus.PARALLEL:
        for bit in range(width - 1):
            pair = (bit, bit + 1)
            for high, words in ((False, "low wins"), (True, "high wins")):
                reads = partial(_joined, bit=bit, high_wins=high)
                yield Misread("bits-joined", f"bits {bit} and {bit + 1} joined, {words}", reads, pair)


def _ones(width: int) -> int:
    return (1 << width) - 1


def _left(value: int, width: int, fill: int) -> int:
    return (value << 1 | fill) & _ones(width)


def _right(value: int, width: int, fill: int) -> int:
    return value >> 1 | fill << (width - 1)


def _reversed(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _reversed_bytewise(value: int, width: int) -> int:
    return int.from_bytes(bytes(_reversed(byte, 8) for byte in value.to_bytes(width // 8, "big")), "big")


def _bytes_swapped(value: int, width: int) -> int:
    return int.from_bytes(value.to_bytes(width // 8, "big"), "little")


def _stuck(value: int, width: int, bit: int, level: int) -> int:
    return value | 1 << bit if level else value & ~(1 << bit)


def _joined(value: int, width: int, bit: int, high_wins: bool) -> int:
    """Two lines soldered together: both read high when either is (high wins) or only when both are (low wins)."""
    both = value >> bit & 3
    level = both != 0 if high_wins else both == 3
    return value & ~(3 << bit) | (3 << bit if level else 0)
