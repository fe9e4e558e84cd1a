"""Shares of small numbers: a count of a total with its interval, the Pareto table, and how both are said. Pure.

A share from a few boards misleads, so its count always stands beside it, and its interval where that says anything.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

from console.words import percent

CONFIDENCE: Final = 0.95
_FEW: Final = 10  # from this many on a percentage says more than it hides: common practice, no source


@dataclass(frozen=True, slots=True)
class Rate:
    """`hits` of `of`, with the Wilson interval of the share (0..1)."""

    hits: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """The bare share, 0..1; 0 of nothing."""
        return self.hits / self.of if self.of else 0.0


@dataclass(frozen=True, slots=True)
class Bar:
    """One row of a Pareto table; `running` is the share of this row and all above it."""

    name: str
    rate: Rate
    running: float


def wilson(hits: int, of: int, confidence: float = CONFIDENCE) -> Rate:
    """Score interval of a share (NIST/SEMATECH e-Handbook s.7.2.4.1). Raises ValueError unless 0 <= hits <= of.

    Of nothing the share may be anything: 0 to 1.
    """
    if not 0 <= hits <= of or not 0 < confidence < 1:
        raise ValueError("needs 0 <= hits <= of and a confidence between 0 and 1")
    if of == 0:
        return Rate(0, 0, 0.0, 1.0)
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    share, shrink = hits / of, 1 + z * z / of
    centre = (share + z * z / (2 * of)) / shrink
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of)) / shrink
    return Rate(hits, of, 0.0 if hits == 0 else max(0.0, centre - half), 1.0 if hits == of else min(1.0, centre + half))


def pareto(names: Iterable[str]) -> tuple[Bar, ...]:
    """What occurs, most often first; equal counts in the order of their names."""
    counts = Counter(names)
    total, so_far, out = counts.total(), 0, []
    for name, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        so_far += count
        out.append(Bar(name, wilson(count, total), so_far / total))
    return tuple(out)


def interval(value: Rate) -> str:
    """The interval alone, as ``95 % interval 30 to 95 %``."""
    return f"{100 * CONFIDENCE:.0f} % interval {100 * value.low:.0f} to {100 * value.high:.0f} %"


def share_words(value: Rate) -> str:
    """A share as ``3 of 4``, with the interval where that says anything."""
    if value.of == 0:
        return "0 of 0"
    share = f" = {percent(value.share)}" if value.of >= _FEW and 0 < value.hits < value.of else ""
    return f"{value.hits} of {value.of}{share} ({interval(value)})"
