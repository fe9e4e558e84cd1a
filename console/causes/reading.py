"""A measured value and what it says: units, bands, and readings that cannot be.

Belongs here: from the text a person typed to the outcome of a check. The bands themselves are data of the catalogue.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final

from console.errors import UsageTrouble
from console.text import clean
from console.words import measure

_PREFIX: Final = {"": 1.0, "µ": 1e-6, "u": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6}
_UNITS: Final = {"v": "V", "volt": "V", "volts": "V", "a": "A", "ohm": "ohm", "ohms": "ohm", "r": "ohm", "ω": "ohm"}
# what meters show, and people say, for a resistance beyond their range
_OPEN: Final = frozenset({"open", "ol", "o.l", "inf", "infinite"})
_NUMBER: Final = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(.*)", re.DOTALL)


@dataclass(frozen=True, slots=True)
class Band:
    """Readings up to and including `upto` (the last band has infinity): their outcome, "" where they decide nothing."""

    upto: float
    outcome: str
    means: str


@dataclass(frozen=True, slots=True)
class Scale:
    """How a check's reading is judged: `unit` ("V", "A" or "ohm"), what is possible at all, and the bands upwards.

    `least` and `most` bound what a meter can show there; `quantity` says what is measured; `source` is where the
    limits come from.
    """

    quantity: str
    unit: str
    least: float
    most: float
    bands: tuple[Band, ...]
    source: str

    def band(self, value: float) -> Band:
        """The band that holds `value`."""
        return next(band for band in self.bands if value <= band.upto)


@dataclass(frozen=True, slots=True)
class Reading:
    """A value in the scale's unit, the outcome it stands for ("" undecided), and what it means in words."""

    value: float
    unit: str
    outcome: str
    means: str

    @property
    def text(self) -> str:
        """The value with its unit."""
        return measure(self.value, self.unit)


def read(scale: Scale, text: str) -> Reading:
    """What `text` ("3.29", "3290 mV", "0,4 V", "open") says on this scale.

    Raises UsageTrouble `reading` for what is no number, another unit, or a value that cannot be.
    """
    value = _value(scale, text)
    if not scale.least <= value <= scale.most:
        possible = f"{measure(scale.least, scale.unit)} to {measure(scale.most, scale.unit)}"
        if math.isinf(scale.most):
            possible = f"at least {measure(scale.least, scale.unit)}"
        raise UsageTrouble(
            "reading",
            f"{measure(value, scale.unit)} is outside of what can be there ({possible})",
            where=scale.quantity,
            help="look at the meter's range and probes and measure again; if it stays, keep off: switch the supply "
            "off, and leave what is joined to the mains to a qualified person",
        )
    band = scale.band(value)
    return Reading(value, scale.unit, band.outcome, band.means)


def _value(scale: Scale, text: str) -> float:
    told = text.strip()
    if told.casefold() in _OPEN and scale.unit == "ohm":
        return math.inf
    match = _NUMBER.fullmatch(told)
    if match is None or len(told) > 40:
        raise UsageTrouble(
            "reading",
            f"{clean(told, 40)!r} is no number",
            where=scale.quantity,
            help=f"write the value in {scale.unit}" + (", or open" if scale.unit == "ohm" else ""),
        )
    return float(match[1].replace(",", ".")) * _factor(scale, match[2].strip())


def _factor(scale: Scale, unit: str) -> float:
    if not unit:
        return 1.0
    for prefix, factor in _PREFIX.items():
        rest = unit[len(prefix) :].strip()
        if unit.startswith(prefix) and _UNITS.get(rest.casefold()) == scale.unit:
            return factor
    if scale.unit == "ohm" and unit in ("k", "K", "M"):  # "1.2 k", as it is spoken
        return _PREFIX[unit]
    raise UsageTrouble(
        "reading",
        f"{clean(unit, 20)!r} is not the unit asked for",
        where=scale.quantity,
        help=f"write the value in {scale.unit} or {'kohm' if scale.unit == 'ohm' else 'm' + scale.unit}",
    )
