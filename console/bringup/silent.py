"""A silent board within a plan: what the plan knows goes into the diagnosis, and what was changed comes back into it.

The diagnosis is that of a board without a plan. Work with the iron ends it for now: the board is dead then, and what
the work may have harmed is looked at and measured before the power comes back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final

from console.boards.defects import defects
from console.boards.plan import Plan, Repair, Stage, Work
from console.boards.stagerun import reach
from console.bringup.marks import Marks
from console.bringup.operator import Operator
from console.bringup.over_port import OverPort
from console.bringup.standing import Standing
from console.causes.catalogue import Check, catalogue
from console.causes.rank import NextCheck
from console.errors import Outcome
from console.operating import Hands, Reply, changed, proved, walk
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from console.text import clean

_STILL_ASKED: Final = ("note", "have", "stop")  # after these the board stays as the step needs it
_IRON: Final = "S09"
_SURE: Final = 0.9  # from here on a cause whose repair helped is taken as the one: common practice, no source
WIRES: Final = "wires"
_ENDS: Final = ("connector", "testpoint")


class _ToThePlan(Exception):
    """Something was soldered: the stages that it touched come first."""


class Silent:
    """Diagnoses a silent board. `mended` takes what was put right, `show` gets the picture after every step."""

    def __init__(
        self,
        standing: Standing,
        operator: Operator,
        session: Session,
        fold: Fold,
        port: OverPort,
        marks: Marks,
        show: Callable[[Snapshot, bool], None],
    ) -> None:
        self._standing = standing
        self._operator = operator
        self._session = session
        self._fold = fold
        self._port = port
        self._marks = marks
        self._show = show
        self._told: set[str] = set()
        self._soldered: tuple[str, NextCheck] | None = None

    async def walk(self, stage: Stage) -> Outcome | None:
        """Until the board answers, or nothing is left that pays; None where something was soldered, so that the plan
        goes on with what counts again. Raises what hands raise."""
        self._tell_known()
        hands = _Hands(self._operator, self._session, self._port)
        try:
            outcome = await walk(self._session, self._fold, hands, self._show)
        except _ToThePlan:
            assert hands.latest is not None
            self._soldered = stage.id, hands.latest
            self._put_right(stage, hands.latest)
            return None
        if outcome is Outcome.OK and hands.latest is not None:
            self._put_right(stage, hands.latest)
        return outcome

    def answered(self, stage: Stage, outcome: Outcome) -> None:
        """The stage ran; where something was soldered for it, what that did is known now."""
        if self._soldered is None or self._soldered[0] != stage.id:
            return
        (_, check), self._soldered = self._soldered, None
        proved(self._session, check, outcome)
        if outcome is not Outcome.OK:
            self._marks.in_vain(check.id, check.title)

    def _put_right(self, stage: Stage, check: NextCheck) -> None:
        """What was worked on counts again; named by the likeliest of the causes that it removes."""
        step = catalogue().step(check.id)
        causes = self._fold.snapshot().causes
        found = next((one for one in causes if step is not None and one.id in step.cures), None)
        title = check.title if found is None else f"{check.title}: {found.title}"
        sure = found.id if found is not None and found.probability >= _SURE else ""
        repair = _place(self._standing.plan, stage, check, title)
        again = self._standing.touched(repair, stage.id)
        # any of these joints may have been it: the record names none
        self._marks.repair(replace(repair, parts=frozenset(), pins=frozenset()), again, cause=sure)

    def _tell_known(self) -> None:
        """What this board is, and what was measured, as answers to the checks that ask for it. Each once."""
        for check, outcome, words in _known(self._standing):
            if check not in self._told:
                self._told.add(check)
                self._session.found("plan", words, check=check, outcome=outcome, given=True)
        if WIRES not in self._told and in_copper(self._standing.plan):
            self._told.add(WIRES)
            words = "the lines to the adapter are copper of this board: there are no wires to move"
            self._session.found("plan", words, missing=WIRES)


def in_copper(plan: Plan) -> bool:
    """Whether the adapter is a chip of the board itself: each wire arrives at a part that is neither a connector nor
    the chip that is programmed."""
    targets = {image.part for image in plan.images.values()}
    ends = {wire.pin.rpartition(".")[0] for wire in plan.wires}
    return bool(ends and targets) and all(end not in targets and plan.board.part(end).role not in _ENDS for end in ends)


def _known(standing: Standing) -> Iterator[tuple[str, str, str]]:
    """Check, outcome and words of what needs no asking: the supplies of the chip, and lines that are copper."""
    plan = standing.plan
    targets = {image.part for image in plan.images.values()}
    wanted = {pin.net for ref in targets for pin in plan.board.circuit.parts.get(ref, ())}
    for stage in plan.stages:
        passed = stage.id in standing.runs and standing.runs[stage.id].passed and stage.id in standing.passed
        if passed and stage.work is Work.MEASURE and stage.limits is not None and wanted & set(stage.nets):
            yield "K08", "in-range", f"{clean(stage.nets[0])} was measured in this run at {stage.id}: {stage.limits}"
    if in_copper(plan):
        yield "K05", "silent", "TX and RX are copper of this board, joined as its netlist says"
        yield "K06", "joined", "adapter and chip are on one board, with one ground"


def _place(plan: Plan, stage: Stage, check: NextCheck, title: str) -> Repair:
    """Where a step of the diagnosis worked: with the iron at what the stage uses, else nowhere."""
    if not _hot(check):
        return Repair(check.id, title, frozenset(), frozenset())
    used = reach(plan.board, stage.exercises, defects().strength)
    return Repair(check.id, title, stage.exercises.parts, frozenset(pin.ref for pin in used.pins))


def _hot(check: NextCheck) -> bool:
    step: Check | None = catalogue().step(check.id)
    return step is not None and step.caution_id == _IRON


class _Hands:
    """The operator's hands while the board is diagnosed; they have the power as a step needs it."""

    def __init__(self, operator: Operator, session: Session, port: OverPort) -> None:
        self.latest: NextCheck | None = None
        self._operator = operator
        self._hands: Hands = operator.hands
        self._session = session
        self._port = port

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """What they say. Raises _ToThePlan where they soldered, and what hands raise."""
        step = catalogue().step(check.id)
        dead = _hot(check) or (step is not None and "power-off" in step.needs)
        if dead:
            await self._operator.power(False)
        # whether soldering helped is seen by the plan, with the power on
        asked = replace(check, action=check.action or "repair-done", answers=()) if _hot(check) else check
        reply = await self._hands.reply(asked, snapshot)
        if reply.kind == "done" and _hot(check):
            await self._hands.act(asked)
            changed(self._session, check)
            self.latest = check
            raise _ToThePlan
        if dead and reply.kind not in _STILL_ASKED:
            await self._operator.power(True)
            await self._port.wake()
        return reply

    async def act(self, check: NextCheck) -> None:
        """Make the change."""
        self.latest = check
        await self._hands.act(check)

    async def prepare(self, test: str) -> None:
        """Join or part what a test of the line needs."""
        await self._hands.prepare(test)

    async def restore(self, test: str) -> None:
        """Put it back."""
        await self._hands.restore(test)

    async def reset(self, words: str) -> bool:
        """Reset the board into its loader."""
        return await self._hands.reset(words)
