"""What the notebook tells back, as plain data for statistics, screens and exports. No database here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from console.deeds import Deed
from console.errors import Outcome
from console.events import Value
from console.notebook.entry import Fix
from console.session.stage import StageResult


@dataclass(frozen=True, slots=True)
class Design:
    """What boards are built to; a nameless one is not known."""

    name: str = ""
    revision: str = ""

    @property
    def words(self) -> str:
        """As ``Tern, revision B``."""
        return f"{self.name}, revision {self.revision}" if self.revision else self.name


UNKNOWN: Final = Design()


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One session in a list. `started_ns` since the Unix epoch; `product_id` as this session read it; `fix_cause` and
    `fix_place` of the latest fix."""

    id: int
    started_ns: int
    board: str
    product_id: int | None
    port: str
    outcome: Outcome
    first_outcome: Outcome
    stopped_at: str
    suspect: str
    fix_cause: str
    fix_place: str
    simulated: bool


@dataclass(frozen=True, slots=True)
class Shown:
    """What one attempt showed: observation codes with counts, and cause ids with the probabilities then shown."""

    attempt: int
    observations: tuple[tuple[str, int], ...]
    causes: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class NotedFix:
    """A fix as it was noted; `confirmed`: it failed before, this alone was done, it passed after, on a real board."""

    fix: Fix
    noted_ns: int
    confirmed: bool


@dataclass(frozen=True, slots=True)
class Confirmed:
    """A confirmed fix of a real board, and what that board was built to."""

    fix: Fix
    design: Design


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a board from all its sessions, each the latest that any of them knew."""

    design: Design = UNKNOWN
    product_id: int | None = None
    unique_id: str = ""


@dataclass(frozen=True, slots=True)
class Detail:
    """Everything about one session. `design` and `unique_id` are what this session said and read; `known` is what its
    board is known for, from whichever session; `twins` are other boards that were read with the same unique id."""

    row: SessionRow
    design: Design
    unique_id: str
    known: Known
    twins: tuple[str, ...]
    settings: tuple[tuple[str, Value], ...]
    capture: str
    capture_sha256: str
    failed_attempt: int
    tool_version: str
    stages: tuple[StageResult, ...]
    shown: tuple[Shown, ...]
    deeds: tuple[Deed, ...]
    fixes: tuple[NotedFix, ...]

    @property
    def built(self) -> Design:
        """What the board is built to: as this session said, else as it is known."""
        return self.design if self.design.name else self.known.design

    @property
    def codes(self) -> frozenset[str]:
        """What was seen when it failed first."""
        return frozenset(
            code for one in self.shown if one.attempt == self.failed_attempt for code, _ in one.observations
        )


@dataclass(frozen=True, slots=True)
class Case:
    """A session that failed, with where it stopped, what was seen there, the confirmed fix if there is one, and what
    its board is built to."""

    session: int
    board: str
    stopped_at: str
    codes: frozenset[str]
    fix: Fix | None
    design: Design = UNKNOWN


@dataclass(frozen=True, slots=True)
class BoardRun:
    """How a board went: the verdict of its very first attempt, and that of its latest session; what it is built to."""

    board: str
    first: Outcome
    last: Outcome
    design: Design = UNKNOWN


@dataclass(frozen=True, slots=True)
class StageTime:
    """How long a stage took that passed, in a board's latest good session; `baud` 0 where nobody told."""

    board: str
    stage: str
    baud: int
    elapsed_s: float
