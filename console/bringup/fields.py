"""The fields of a mark, read as what they should be: a foreign capture may hold anything. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from console.errors import Outcome
from console.events import Value
from console.text import clean

SEPARATOR: Final = " | "


def text(fields: Mapping[str, Value], name: str) -> str:
    """A text, safe to show; "" where there is none."""
    value = fields.get(name)
    return "" if value is None else clean(str(value), 2000)


def texts(fields: Mapping[str, Value], name: str) -> tuple[str, ...]:
    """Texts that were joined by SEPARATOR."""
    joined = text(fields, name)
    return tuple(joined.split(SEPARATOR)) if joined else ()


def number(fields: Mapping[str, Value], name: str) -> float:
    """A number from 0 to 1e9, else 0."""
    value = fields.get(name)
    usable = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 1e9
    return float(value) if usable else 0.0  # type: ignore[arg-type]  # usable says so


def ended_as(fields: Mapping[str, Value]) -> Outcome:
    """How something ended; `internal` for no such word."""
    word = text(fields, "outcome")
    return Outcome(word) if word in set(Outcome) else Outcome.INTERNAL
