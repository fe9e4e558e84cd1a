"""Which cause explains the evidence best, with the reasons in words."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class RankedCause:
    """A cause with its probability (0 < p <= 0.99) and the evidence that moved it most, in words."""

    id: str
    title: str
    probability: float
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NextCheck:
    """What to do next. `action` names what the console records once it is done ("swap-done"); None for a reading."""

    id: str
    title: str
    minutes: float
    caution: str | None
    why: str
    action: str | None
