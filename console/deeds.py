"""What was done to a board or found out about it, as plain data: the marks of the record that a history needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from console.events import Value
from console.text import clean

_LARGEST: Final = 1e18  # no measured value is larger; also refuses infinity and what is no number


@dataclass(frozen=True, slots=True)
class Deed:
    """What the operator did or found after attempt `attempt`; `at_s` counts from the first event.

    `check` names the step of the catalogue it was, `outcome` what a reading showed or what was said; `value` with
    `unit` if measured. Of the console itself are "finding", the answer its own test gave to `check`, and "settings":
    the next attempt ran at another rate or frame.
    """

    at_s: float
    attempt: int
    action: str
    check: str = ""
    outcome: str = ""
    value: float | None = None
    unit: str = ""


def deed_of(fields: Mapping[str, Value], action: str, outcome: str, *, at_ns: int, attempt: int) -> Deed:
    """A mark's fields as a deed after attempt `attempt`, `at_ns` nanoseconds after the first event."""
    check, unit = (clean(str(fields.get(key) or ""), 80) for key in ("check", "unit"))
    value = fields.get("value")
    sound = isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < _LARGEST
    number = float(value) if sound and isinstance(value, (int, float)) else None
    return Deed(round(at_ns / 1e9, 6), attempt, clean(action, 80), check, clean(outcome), number, unit)
