"""How readable what was heard at one line rate is, and which of several rates is most likely the sender's.

At a wrong rate an ideal receiver makes runs of FE, F8, E0 and 00 with framing errors of a text (computed from the
ideal-receiver model in `waveform`); at the right one nearly every byte is a printable ASCII character. A share is
judged by the lower end of its Wilson interval, so that three lucky bytes do not beat three hundred good ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

READABLE: Final = bytes([0x09, 0x0A, 0x0D, *range(0x20, 0x7F)])
MOSTLY: Final = 0.9
# common practice, no source: below this lower bound it may be chance, 98 of 256 byte values are readable
LEAST_TEXT: Final = 0.6
_AHEAD: Final = 0.15
_Z: Final = 2.0  # two standard deviations
_CLEAN: Final = 0.02
_SPOILED: Final = 0.1
_ENOUGH: Final = 16
_FEW: Final = 4


def count_readable(data: bytes) -> int:
    """How many of the bytes are printable ASCII, tab or line end."""
    return len(data) - len(data.translate(None, READABLE))


def reads_as_text(readable: int, received: int) -> bool:
    """Whether `readable` of `received` bytes make a text: more than two bytes, nine tenths of them readable."""
    return received > 2 and readable >= MOSTLY * received


def wilson_low(good: int, of: int, z: float = _Z) -> float:
    """Lower end of the Wilson score interval of the share `good` / `of`, 0 for nothing (0 <= good <= of).

    Source: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209; NIST/SEMATECH e-Handbook s.7.2.4.1.
    """
    if of <= 0:
        return 0.0
    share, square = good / of, z * z
    middle = share + square / (2 * of)
    spread = z * math.sqrt(share * (1 - share) / of + square / (4 * of * of))
    return max(0.0, (middle - spread) / (1 + square / of))


@dataclass(frozen=True, slots=True)
class Heard:
    """What came at one rate: clean bytes `received`, of them `readable` and `zeros`; bad characters; breaks."""

    baud: int
    frame: str
    received: int = 0
    readable: int = 0
    zeros: int = 0
    errors: int = 0
    breaks: int = 0

    @property
    def characters(self) -> int:
        """Clean and bad ones; breaks are none."""
        return self.received + self.errors

    @property
    def text(self) -> float:
        """How sure it is that this is text: lower bound of the readable share of all characters, 0 to 1."""
        return wilson_low(self.readable, self.characters)

    @property
    def spoiled(self) -> float:
        """Share of line errors and breaks among all that came, 0 to 1."""
        came = self.characters + self.breaks
        return (self.errors + self.breaks) / came if came else 0.0


class Listened(StrEnum):
    """What listening at several rates showed."""

    TEXT = "text"
    CLEAN = "clean"
    BYTES = "bytes"
    LOW = "low"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Verdict:
    """`best` is the rate of TEXT or CLEAN, None otherwise; `sure` that no other rate comes near it."""

    listened: Listened
    best: Heard | None = None
    sure: bool = False


def judge(heard: Sequence[Heard]) -> Verdict:
    """The most likely rate of what was heard; the order of `heard` decides between equals, the first one wins."""
    order = sorted(heard, key=lambda one: -one.text)
    if order and order[0].text >= LEAST_TEXT:
        sure = len(order) < 2 or order[0].text - order[1].text >= _AHEAD
        return Verdict(Listened.TEXT, order[0], sure)
    clean = _clean(heard)
    if clean is not None:
        return Verdict(Listened.CLEAN, clean, True)
    if any(one.received > one.zeros or one.errors for one in heard):
        return Verdict(Listened.BYTES)
    if any(one.zeros or one.breaks for one in heard):
        return Verdict(Listened.LOW)
    return Verdict(Listened.NOTHING)


def _clean(heard: Sequence[Heard]) -> Heard | None:
    """The one rate without line errors where every other one that heard anything has many: data that is no text."""
    good = [one for one in heard if one.received - one.zeros >= _ENOUGH and one.spoiled <= _CLEAN]
    rest = [one for one in heard if one not in good and one.characters + one.breaks >= _FEW]
    if len(good) == 1 and rest and all(one.spoiled >= _SPOILED for one in rest):
        return good[0]
    return None
