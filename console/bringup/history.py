"""What went on in a plan, in order: runs of stages, whom each stop made suspect, what the operator said. Pure.

A turn is what a board does between two changes: it ends with the stage that did not pass, and the next stage that
begins opens another. The first turn has the number 1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from console.errors import Outcome

if TYPE_CHECKING:
    from console.bringup.fold import SuspectState

_MOST: Final = 500


@dataclass(frozen=True, slots=True)
class Ran:
    """One run of a stage. `t_s` counts from the plan's first mark; `seen` are short words that tell readings apart."""

    stage: str
    turn: int
    t_s: float
    elapsed_s: float
    outcome: Outcome
    found: str = ""
    off: str = ""
    seen: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Stop:
    """Whom the plan suspected when a stage had failed, before anybody had looked; `other`: none of them, 0..1."""

    stage: str
    turn: int
    t_s: float
    suspects: tuple[SuspectState, ...] = ()
    other: float = 0.0


@dataclass(frozen=True, slots=True)
class Told:
    """What the operator said to a question: its id and words, the kind of reply, what was found."""

    id: str
    title: str
    turn: int
    t_s: float
    reply: str
    outcome: str = ""
    value: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class History:
    """The plan's story so far; of a very long one the beginning."""

    ran: tuple[Ran, ...] = ()
    stops: tuple[Stop, ...] = ()
    told: tuple[Told, ...] = ()
    turn: int = 1
    over: bool = False  # the turn is: what begins next opens another

    def begins(self) -> History:
        """A stage begins."""
        return replace(self, turn=self.turn + 1, over=False) if self.over else self

    def ended(self, run: Ran) -> History:
        """A stage ended; in this turn, whatever `run` says."""
        kept = (*self.ran, replace(run, turn=self.turn)) if len(self.ran) < _MOST else self.ran
        return replace(self, ran=kept, over=self.over or run.outcome is not Outcome.OK)

    def stopped(self, stage: str, t_s: float, other: float) -> History:
        """A list of suspects begins; later ones of the same turn only say what is left of the first."""
        if self._listed(stage) or len(self.stops) >= _MOST:
            return self
        return replace(self, stops=(*self.stops, Stop(stage, self.turn, t_s, (), other)))

    def suspected(self, stage: str, suspect: SuspectState) -> History:
        """One more on the list of this stop."""
        if not self._listed(stage) or len(self.stops[-1].suspects) >= _MOST:
            return self
        last = self.stops[-1]
        return replace(self, stops=(*self.stops[:-1], replace(last, suspects=(*last.suspects, suspect))))

    def said(self, told: Told) -> History:
        """The operator answered."""
        if len(self.told) >= _MOST:
            return self
        return replace(self, told=(*self.told, replace(told, turn=self.turn)))

    def unsaid(self, id: str) -> History:
        """The latest answer to this question was taken back."""
        said = [n for n, one in enumerate(self.told) if one.id == id and one.reply != "undo"]
        return replace(self, told=(*self.told[: said[-1]], *self.told[said[-1] + 1 :])) if said else self

    def _listed(self, stage: str) -> bool:
        return bool(self.stops) and (self.stops[-1].stage, self.stops[-1].turn) == (stage, self.turn)
