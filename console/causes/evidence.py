"""What is known for diagnosis, as plain data: observations, each tied to the configuration it was made in.

Belongs here: what the fold of observations gives and ranking takes; no judgement about causes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

# the columns of the catalogue's table
LETTER_CODES: Final = ("absent", "vanish", "silence", "low", "echo", "garbage", "errors", "ack", "nack")
READABLE_TEXT: Final = "readable-text"  # garbage that reads as text; the catalogue has its share by cause
TABLE_CODES: Final = (*LETTER_CODES, READABLE_TEXT)
# proof that the board talks
EXTRA_CODES: Final = ("get-answered", "read-refused", "identified")
ANSWERS: Final = frozenset({"ack", "nack", "get-answered", "read-refused", "identified"})
CERTAIN: Final = ("port-busy", "port-permission", "link-lost", "already-synchronised")

SETUP_NAMES: Final = ("wires", "strap", "frame", "rate")
Setup = tuple[bool, str, str, float]


@dataclass(frozen=True, slots=True)
class Observation:
    """One thing seen: stable code, words for a person, how often."""

    id: str
    text: str
    count: int


@dataclass(frozen=True, slots=True)
class Configured:
    """The latest reading made in one configuration.

    `strap` is "" as found, else "moved"; `frame` ("8E1") and `rate` (baud) are "" and 0 where nobody told. `repeats` is
    how many attempts in a row gave this result, `unsteady` whether an earlier one in this configuration gave another,
    `stale` whether hands were on the board since. `asked` is false
    where nobody ever sent a sync in it: listening alone is no trial of a configuration.
    """

    wires_swapped: bool
    observations: tuple[Observation, ...]
    strap: str = ""
    frame: str = ""
    rate: float = 0
    repeats: int = 1
    unsteady: bool = False
    stale: bool = False
    asked: bool = True

    @property
    def codes(self) -> frozenset[str]:
        """The observation codes, each once."""
        return frozenset(seen.id for seen in self.observations)

    @property
    def answered(self) -> bool:
        """Whether a documented answer came in this configuration."""
        return not self.codes.isdisjoint(ANSWERS)

    @property
    def setup(self) -> Setup:
        """What makes the configuration."""
        return (self.wires_swapped, self.strap, self.frame, self.rate)

    def changed(self, other: Configured) -> frozenset[str]:
        """Names of what differs: of "wires", "strap", "frame" and "rate"."""
        pairs = zip(SETUP_NAMES, self.setup, other.setup, strict=True)
        return frozenset(name for name, one, two in pairs if one != two)


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that is known for diagnosis.

    `configured` holds at most one reading per configuration, the one made first in front. `current` belongs to the
    latest attempt and may be empty while it runs. `certain` are situations that need no weighing. `checks` are pairs
    of check id and outcome id, answered by the operator or a test of the console's own, `skipped` those the operator
    does not want, `at_hand` what the operator has beyond a usual bench, `missing` what of a usual bench is not there.
    `often` names checks and actions done twice or more. `swap_pending`: wires were swapped and not tried since.
    `before` is the latest reading without an answer that hands on the board came after.
    """

    configured: tuple[Configured, ...] = ()
    current: Configured = Configured(False, ())
    certain: tuple[str, ...] = ()
    checks: tuple[tuple[str, str], ...] = ()
    swap_pending: bool = False
    skipped: frozenset[str] = frozenset()
    at_hand: frozenset[str] = frozenset()
    before: Configured | None = None
    often: frozenset[str] = frozenset()
    missing: frozenset[str] = frozenset()

    @property
    def observations(self) -> tuple[Observation, ...]:
        """What the latest attempt showed."""
        return self.current.observations

    @property
    def reading(self) -> Configured:
        """The latest reading that says something: the current one, else what is left from earlier attempts."""
        if self.current.observations:
            return self.current
        same = [old for old in self.configured if old.setup == self.current.setup]
        return same[0] if same else self.configured[-1] if self.configured else self.current
