"""Characters to level edges and back: what an ideal receiver makes of a line whose rate or frame is not its own.

The receiver is the textbook one (computed from the ideal-receiver model, common practice, no source): a falling edge
starts a character, half a bit later the line must still be low, then each bit is sampled once in its middle. Real
receivers vote over several samples and differ where a sample falls near an edge. Levels are 1 (idle, mark) and 0.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import TypeAlias

from protocols.uart import Frame, parity_bit

Edge: TypeAlias = tuple[float, int]
"""Time in seconds and the level from then on."""


class Resync(Enum):
    """What a receiver does after a stop bit that was low and no break."""

    WAIT = "wait for the line to go high, then for a falling edge"
    AT_ONCE = "take the failed stop bit as the next start bit"  # 16550: description of its line status register


@dataclass(frozen=True, slots=True)
class Character:
    """A character as received: framing = stop bit low; break = everything low (value 0, framing set too)."""

    start_s: float
    end_s: float
    value: int
    framing: bool = False
    parity: bool = False
    is_break: bool = False

    @property
    def clean(self) -> bool:
        """No error was seen."""
        return not (self.framing or self.parity)

    def __str__(self) -> str:
        flags = ("P" if self.parity else "") + ("F" if self.framing else "") + ("B" if self.is_break else "")
        return f"{self.value:02X}" + (f"({flags})" if flags else "")


def encode(characters: Iterable[tuple[float, int]], frame: Frame, rate: float) -> list[Edge]:
    """Edges of characters given as (start in s, value), in order and not overlapping, at `rate` > 0 bits/s.

    Raises ValueError when a character starts before the one in front of it has ended.
    """
    edges: list[Edge] = []
    level, free_s = 1, float("-inf")
    tolerated_s = (
        1e-3 / rate
    )  # times of day near 1e4 s carry rounding of some 1e-11 s; a thousandth of a bit is nothing
    for start_s, value in characters:
        if start_s < free_s - tolerated_s:
            raise ValueError(f"the character at {start_s} s starts before {free_s} s, where the one before it ends")
        start_s = max(start_s, free_s)  # rounding must not make edges go back
        bits = [0, *(value >> n & 1 for n in range(frame.data_bits))]
        if frame.parity != "N":
            bits.append(parity_bit(value, frame))
        for n, bit in enumerate((*bits, 1)):
            if bit != level:
                edges.append((start_s + n / rate, bit))
                level = bit
        free_s = start_s + frame.bits / rate
    return edges


def decode(
    edges: Sequence[Edge], frame: Frame, rate: float, resync: Resync = Resync.WAIT, *, until_s: float | None = None
) -> list[Character]:
    """What a receiver at `rate` makes of a line that idles high before the first edge and stays after the last.

    `edges` alternate in level and rise in time. `until_s`: characters that end later are left out. A line that stays
    low gives one break and then nothing.
    """
    times = [time for time, _ in edges]
    bit_s = 1 / rate
    out: list[Character] = []

    def level_at(time: float) -> int:
        at = bisect_right(times, time)
        return edges[at - 1][1] if at else 1

    def next_edge(time: float, level: int) -> float | None:
        for at in range(bisect_left(times, time), len(edges)):
            if edges[at][1] == level:
                return times[at]
        return None

    start = next_edge(float("-inf"), 0)
    while start is not None:
        middle = start + bit_s / 2
        if level_at(middle):
            start = next_edge(middle, 0)
            continue
        end = start + frame.bits * bit_s
        if until_s is not None and end > until_s:
            break
        value = sum(level_at(middle + n * bit_s) << (n - 1) for n in range(1, frame.data_bits + 1))
        stop_s = middle + (frame.data_bits + 1) * bit_s
        wrong_parity = parity_low = False
        if frame.parity != "N":
            sample = level_at(stop_s)
            wrong_parity, parity_low = sample != parity_bit(value, frame), not sample
            stop_s += bit_s
        framing = not level_at(stop_s)
        is_break = framing and value == 0 and (frame.parity == "N" or parity_low)
        out.append(Character(start, end, value, framing, wrong_parity and not is_break, is_break))
        if not framing:
            start = next_edge(stop_s, 0)
        elif resync is Resync.AT_ONCE and not is_break:
            start = stop_s - bit_s / 2
        else:
            high = next_edge(stop_s, 1)
            start = None if high is None else next_edge(high, 0)
    return out
