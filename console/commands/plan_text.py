"""What a plan prints while it runs: a line where a stage begins and one where it ends, and what is asked in between."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from console.bringup.fold import BringupFold, State, SuspectState
from console.bringup.words import stage_line
from console.events import Event, Mark, MarkKind
from console.session.wording import mark_words
from console.words import percent, reason

_FEW = 3


class PlanText:
    """A sink. Prints whole lines only. `experience` is asked when a stage has failed."""

    def __init__(self, say: Callable[[str], None], experience: Callable[[], Sequence[str]] = tuple) -> None:
        self._say = say
        self._experience = experience
        self._fold = BringupFold()
        self._suspects_due = False
        self._trusts = False

    def event(self, event: Event) -> None:
        """Something happened."""
        if not isinstance(event, Mark):
            return
        if event.kind is MarkKind.NOTE:
            self._say(f"  note: {mark_words(event)}")
        if event.kind is not MarkKind.BRINGUP:
            return
        step = event.fields.get("step")
        if self._trusts and step != "trust" and self._fold.state is not None:
            self._trusts = False
            self._say(f"  {self._fold.state.unproven_words}")
        if self._suspects_due and step != "suspect":
            self.flush()
        self._fold.mark(event)
        state = self._fold.state
        if state is None:
            return
        match step:
            case "plan":
                self._say(mark_words(event))
            case "trust":
                self._trusts = True
            case "begin":
                number = 1 + next((n for n, one in enumerate(state.stages) if one.id == state.current), 0)
                title = "" if state.stage(state.current) is None else f": {event.fields.get('title')}"
                self._say(f"[{number:>2}/{len(state.stages)}] {state.current}{title}")
            case "end":
                stage = state.stage(str(event.fields.get("stage")))
                if stage is not None:
                    self._say(f"        {stage_line(stage)}")
                    for words in self._experience() if stage.state is State.FAILED else ():
                        self._say(f"  {words}")
            case "ask" if state.asked is not None and state.asked.caution:
                self._say(f"  caution: {state.asked.caution}")
            case "suspects":
                self._suspects_due = True
            case "again" | "repair" | "cleared" | "undo":
                self._say(f"  {mark_words(event)}")
            case _:
                pass

    def flush(self) -> None:
        """Print what was held back until it was whole: the first few suspects."""
        state = self._fold.state
        if not self._suspects_due or state is None:
            return
        self._suspects_due = False
        if state.before:
            self._say(f"  before you look: {state.before}")
        left = [one for one in state.suspects if not one.cleared]
        for one in left[:_FEW]:
            self._say(_suspect_line(one))


def _suspect_line(one: SuspectState) -> str:
    why = f", {reason(one.why[0])}" if one.why else ""
    return f"  suspect {percent(one.probability):>4}  {one.title}{why}"
