"""What a reading or a field may be, and by how much it misses that. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from console.boards.template import FieldValue, value_words
from console.causes.reading import Band, Scale
from console.words import measure

LOW, GOOD, HIGH = "low", "good", "high"
# what a meter can show at a board that runs from cells or USB; more is a wrong range, or nothing to be worked on here
_POSSIBLE: Final = {"V": (-60.0, 60.0), "A": (-10.0, 10.0), "ohm": (0.0, math.inf)}


@dataclass(frozen=True, slots=True)
class Limits:
    """From `least` to `most`, both allowed; `unit` is "V", "A", "ohm", or "" for a plain number.

    Either may be infinite, not both. `source` says where the limits come from.
    """

    least: float
    most: float
    unit: str = ""
    source: str = ""

    def __post_init__(self) -> None:
        """Raises ValueError for limits that allow nothing, or everything."""
        if not self.least <= self.most or (math.isinf(self.least) and math.isinf(self.most)):
            raise ValueError("the least allowed must not be above the most allowed, and one of them finite")

    def __str__(self) -> str:
        if math.isinf(self.most):
            return f"at least {self._shown(self.least)}"
        if math.isinf(self.least) or (self.unit == "ohm" and self.least == 0):
            return f"at most {self._shown(self.most)}"
        least = self._shown(self.least) if self.unit == "ohm" else measure(self.least)  # 50 ohm to 1 Mohm; 3 to 3.6 V
        return f"{least} to {self._shown(self.most)}"

    def off_by(self, value: float) -> str:
        """In words by how much `value` is out of the limits; "" inside them."""
        if math.isnan(value):
            return "no number"
        if value < self.least:
            by = self._shown(_rounded(self.least - value, self.least))
            return f"{by} below the least allowed ({self._shown(self.least)})"
        if value > self.most:
            if math.isinf(value):
                return f"open, where at most {self._shown(self.most)} is allowed"
            by = self._shown(_rounded(value - self.most, self.most))
            return f"{by} above the most allowed ({self._shown(self.most)})"
        return ""

    def scale(self, quantity: str) -> Scale:
        """How a typed reading is judged: low, good or high."""
        below = math.nextafter(self.least, -math.inf)
        bands = (
            Band(below, LOW, f"below {self._shown(self.least)}"),
            Band(self.most, GOOD, str(self)),
            Band(math.inf, HIGH, f"above {self._shown(self.most)}"),
        )
        first = 1 if math.isinf(self.least) or (self.unit == "ohm" and self.least == 0) else 0
        last = 2 if math.isinf(self.most) else 3
        return Scale(quantity, self.unit, *_POSSIBLE[self.unit], bands[first:last], self.source)

    def _shown(self, value: float) -> str:
        return measure(value, self.unit)


@dataclass(frozen=True, slots=True)
class Expected:
    """What a field of an answer should be: one of `values`, or within `limits`."""

    values: tuple[FieldValue, ...] = ()
    limits: Limits | None = None

    def __str__(self) -> str:
        return str(self.limits) if self.limits is not None else " or ".join(value_words(one) for one in self.values)

    def wrong(self, value: FieldValue) -> str:
        """In words what is wrong with `value`; "" where nothing is."""
        if self.limits is not None:
            if isinstance(value, str | bytes):
                return f"{value_words(value)} is no number"
            off = self.limits.off_by(value)
            return f"{value_words(value)} is {off}" if off else ""
        return "" if value in self.values else f"{value_words(value)}, not {self}"


def _rounded(difference: float, beside: float) -> float:
    """Without the digits that only subtracting in binary made."""
    digits = 12 - math.ceil(math.log10(max(abs(beside), abs(difference), 1e-9)))
    return round(difference, max(0, digits))
