"""What a board's plan writes into the record, mark by mark; `fold.py` reads it back."""

from __future__ import annotations

from collections.abc import Collection

from console.boards.plan import Plan, Repair, Stage
from console.boards.suspects import Group, Suspect, Suspects
from console.boards.told import together
from console.bringup.fold import SEPARATOR
from console.bringup.over_port import Result
from console.causes.rank import NextCheck
from console.errors import Outcome
from console.events import MarkKind, Value
from console.operating import Reply
from console.session.session import Session
from console.text import clean

MOST_SUSPECTS = 20


class Marks:
    """The record of one plan."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def plan(self, plan: Plan, serial: str, simulated: bool | None) -> None:
        """The plan begins: the board, whether it is a simulated one where that is known, and each stage."""
        said: dict[str, Value] = {} if simulated is None else {"simulated": simulated}
        names = {"board": plan.name, "revision": plan.revision, "file": plan.file, "digest": plan.digest}
        self._mark("plan", **names, serial=serial, **said)
        for stage in plan.stages:
            self._mark(
                "stage",
                stage=stage.id,
                work=stage.work.value,
                title=stage.title,
                after=" ".join(stage.after),
                look=stage.look,
                hot=stage.hot,
                limits=_limits(stage),
            )

    def trust(self, stage: str) -> None:
        """A stage is taken as passed."""
        self._mark("trust", stage=stage)

    def begin(self, stage: Stage) -> None:
        """A stage begins."""
        self._mark("begin", stage=stage.id, title=stage.title)

    def end(self, stage: Stage, result: Result) -> None:
        """A stage ends."""
        self._mark(
            "end",
            stage=stage.id,
            outcome=result.outcome.value,
            found=result.found,
            off=result.off,
            seen=" ".join(result.seen),
            skipped=result.skipped,
        )

    def ask(self, check: NextCheck, *, undoable: bool) -> None:
        """The operator is asked for something; `undoable`: an earlier answer can be taken back."""
        answers = [f"{answer}: {means}".replace(SEPARATOR, " / ") for answer, means in check.answers]
        self._mark(
            "ask",
            id=check.id,
            title=check.title,
            why=check.why,
            caution=check.caution or "",
            answers=SEPARATOR.join(answers),
            unit=check.scale.unit if check.scale is not None else "",
            undoable=undoable,
        )

    def answer(self, check: NextCheck, reply: Reply) -> None:
        """What the operator said."""
        value: dict[str, Value] = {} if reply.value is None else {"value": reply.value, "unit": reply.unit}
        self._mark("answer", id=check.id, reply=reply.kind, outcome=reply.outcome, text=clean(reply.text), **value)

    def suspects(self, stage: Stage, found: Suspects, cleared: Collection[str], before: str) -> None:
        """The plan stopped: whom to look at, in order; `cleared` are the keys of those that were looked at, `before` is
        what is worth doing first, in words."""
        notes = SEPARATOR.join((*together(found), *found.notes))
        self._mark("suspects", stage=stage.id, other=found.other, notes=notes, before=before)
        count = 0
        for group in found.groups:
            for item in group.items:
                count += 1
                if count <= MOST_SUSPECTS:
                    self._suspect(group, item, item.key in cleared)

    def _suspect(self, group: Group, item: Suspect, cleared: bool) -> None:
        self._mark(
            "suspect",
            key=item.key,
            part=clean(group.part),
            title=item.title,
            probability=round(item.probability, 6),
            minutes=round(item.minutes, 3),
            why=SEPARATOR.join(dict.fromkeys((*item.why, *group.why))),
            look=item.how_to_look,
            caution=item.caution,
            pins=" ".join(clean(pin.ref) for pin in item.pins),
            cleared=cleared,
        )

    def cleared(self, key: str, title: str) -> None:
        """A suspect was looked at in vain."""
        self._mark("cleared", key=key, title=title)

    def repair(self, repair: Repair, again: tuple[str, ...]) -> None:
        """Something was put right, and these stages count again."""
        parts, pins = (" ".join(map(clean, sorted(names))) for names in (repair.parts, repair.pins))
        self._mark("repair", key=repair.key, title=repair.title, parts=parts, pins=pins)
        self.again(again)

    def again(self, stages: tuple[str, ...]) -> None:
        """These stages count again."""
        if stages:
            self._mark("again", stages=" ".join(stages))

    def undo(self, id: str, *, stage: str = "", repair: str = "") -> None:
        """The answer to question `id` is taken back: a stage of the operator's is done again, a repair was none."""
        self._mark("undo", id=id, stage=stage, repair=repair)

    def done(self, outcome: Outcome) -> None:
        """The plan ends."""
        self._mark("done", outcome=outcome.value)

    def _mark(self, step: str, **fields: Value) -> None:
        self._session.mark(MarkKind.BRINGUP, step=step, **fields)


def _limits(stage: Stage) -> str:
    """What a reading or an answer must be, in words; "" where nothing is measured."""
    if stage.limits is not None:
        return str(stage.limits)
    if stage.query is None:
        return ""
    return clean("; ".join(f"{name} {expected}" for name, expected in stage.query.expected.items()))
