"""Asynchronous character frames: how many bits a character takes and for how long it holds the line.

Pure arithmetic; belongs here whatever is true of every UART line regardless of the bytes' meaning.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

Parity = Literal["N", "E", "O"]
_FRAME: Final = re.compile(r"([5-8])([NEO])([12])", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Frame:
    """A character frame such as 8E1: data bits, parity, stop bits."""

    data_bits: int = 8
    parity: Parity = "E"
    stop_bits: int = 1

    @classmethod
    def parse(cls, text: str) -> Frame:
        """Read the trade's short form, e.g. ``8E1`` (5-8 data bits; N, E or O; 1 or 2 stop bits).

        Raises ValueError with the offending text.
        """
        match = _FRAME.fullmatch(text.strip())
        if match is None:
            raise ValueError(f"{text!r} is not a character frame such as 8N1 or 8E1")
        data, parity, stop = match.groups()
        return cls(int(data), parity.upper(), int(stop))  # type: ignore[arg-type]

    def __str__(self) -> str:
        return f"{self.data_bits}{self.parity}{self.stop_bits}"

    @property
    def bits(self) -> int:
        """Bit times on the line per character, start bit included (8N1 = 10, 8E1 = 11)."""
        return 1 + self.data_bits + (self.parity != "N") + self.stop_bits

    def char_s(self, baud: float) -> float:
        """Seconds one character holds the line at ``baud`` (> 0)."""
        return self.bits / baud


EIGHT_E_ONE: Final = Frame(8, "E", 1)
EIGHT_N_ONE: Final = Frame(8, "N", 1)


def parity_bit(value: int, frame: Frame) -> int:
    """The parity bit a sender with this frame puts behind `value` (0 for a frame without parity)."""
    ones = (value & ((1 << frame.data_bits) - 1)).bit_count()
    return {"N": 0, "E": ones & 1, "O": ~ones & 1}[frame.parity]


def break_s(frame: Frame, baud: float) -> float:
    """How long the line must be low, in seconds, to be a break for sure: one full word (16550 line status register)."""
    return frame.char_s(baud)


def voting_range(frame: Frame, *, samples: int = 16, first: int = 8, middle: int = 9) -> tuple[float, float]:
    """Slowest and fastest incoming rate, as a ratio to the receiver's own, that a receiver with a vote accepts.

    `samples` per bit, `first` and `middle` sample of the vote: 16, 8, 9 at normal, 8, 4, 5 at double speed.
    Source: Microchip DS40002061A s.20.8.3 and ATmega8A data sheet p. 198, "Asynchronous Operational Range".
    """
    bits = frame.data_bits + (frame.parity != "N")
    slow = (bits + 1) * samples / (samples - 1 + bits * samples + first)
    fast = (bits + 2) * samples / ((bits + 1) * samples + middle)
    return slow, fast


def centre_tolerance(frame: Frame, *, clocks: int = 32, lost: float = 0.5) -> float:
    """Largest deviation (ratio, either way) by which the stop bit is still met: half a bit, less the start's doubt.

    `clocks` the receiver counts per bit, `lost` clocks of doubt at the start edge; the span ends where NEC
    U16035EJ1V0UM Figure 13-6 takes it, at the beginning of the last bit.
    """
    return (clocks / 2 - lost) / ((frame.bits - 1) * clocks)


def end_tolerance(frame: Frame) -> float:
    """How far one end's rate may be off (ratio, either way) when both ends share what the receiver allows equally.

    Half of the tighter side of `voting_range`; that both ends share equally is how Microchip's ATmega8A data sheet
    p. 198 recommends it. 8N1: 2.3 %, 8E1: 2.1 %.
    """
    slow, fast = voting_range(frame)
    return min(1 - slow, fast - 1) / 2
