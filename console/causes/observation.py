"""What the host can see by itself, folded from spans, line events and stage results; no judgement about causes.

Evidence is tied to the wire configuration it was made in, because swapping two wires changes what an observation says
about them and nothing else. Every call is O(1) and memory is bounded, whatever the line delivers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from console.events import LineEvent, LineKind, Value
from console.text import clean
from protocols.family import Role, Span

# the codes are the columns of the catalogue's table; the last three are proof that the board talks
TABLE_CODES: Final = ("absent", "vanish", "silence", "low", "echo", "garbage", "errors", "ack", "nack")
EXTRA_CODES: Final = ("get-answered", "read-refused", "identified")
ANSWERS: Final = frozenset({"ack", "nack", "get-answered", "read-refused", "identified"})
CERTAIN: Final = ("port-busy", "port-permission", "link-lost", "already-synchronised")

_KEPT_OUT: Final = 256  # enough to recognise an echo; an attempt that got no answer sends a handful of bytes
_KEPT_ANSWERS: Final = 64
_GLITCH: Final = (b"\x00", b"\xff")
_ERRORS: Final = frozenset({LineKind.FRAMING, LineKind.PARITY, LineKind.FRAMING_OR_PARITY})
_TEXTS: Final = {
    "absent": "the port is not there",
    "vanish": "the port vanished during the attempt",
    "silence": "nothing was received",
    "low": "the receive line is low (only 00 or break arrives)",
    "echo": "the bytes just sent come back",
    "garbage": "bytes arrive that are no known reply",
    "errors": "framing or parity errors on the line",
    "ack": "the sync was acknowledged",
    "nack": "a command was refused",
    "get-answered": "the first command was answered, so the frame format is right",
    "read-refused": "a memory command was refused although the board answers",
    "identified": "the board identified itself",
}


@dataclass(frozen=True, slots=True)
class Observation:
    """One thing seen: stable code, words for a person, how often."""

    id: str
    text: str
    count: int


@dataclass(frozen=True, slots=True)
class Configured:
    """The latest reading made with the wires in one configuration."""

    wires_swapped: bool
    observations: tuple[Observation, ...]

    @property
    def codes(self) -> frozenset[str]:
        """The observation codes, each once."""
        return frozenset(seen.id for seen in self.observations)

    @property
    def answered(self) -> bool:
        """Whether a documented answer came in this configuration."""
        return not self.codes.isdisjoint(ANSWERS)


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that is known for diagnosis.

    `configured` holds at most one reading per configuration, the one made first in front. `current` belongs to the
    latest attempt and may be empty while it runs. `certain` are situations that need no weighing. `checks` are pairs
    of check id and outcome id the operator answered. `swap_pending`: wires were swapped and not tried since.
    """

    configured: tuple[Configured, ...] = ()
    current: Configured = Configured(False, ())
    certain: tuple[str, ...] = ()
    checks: tuple[tuple[str, str], ...] = ()
    swap_pending: bool = False

    @property
    def observations(self) -> tuple[Observation, ...]:
        """What the latest attempt showed."""
        return self.current.observations
