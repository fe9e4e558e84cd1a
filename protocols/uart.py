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
