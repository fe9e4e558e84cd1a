"""Carries a board's plan out: stage by stage, stopping at a failure, with suspects, repairs and what counts again.

Everything it does is in the record as marks, so that a capture shows how the plan stood at every moment. Where the
operator's answers come from is the business of `operating.Hands`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from console.boards import cautions
from console.boards.limits import GOOD
from console.boards.past import Past
from console.boards.plan import BY_HAND, Plan, Stage, Work
from console.boards.stagerun import Implication
from console.boards.supply import too_high
from console.bringup import asking
from console.bringup.marks import Marks
from console.bringup.operator import Operator, TakenBack
from console.bringup.over_port import Around, OverPort, Result
from console.bringup.search import Search
from console.bringup.silent import Silent
from console.bringup.standing import Said, Standing
from console.errors import Outcome, Stopped, UsageTrouble, WakelineError
from console.operating import Hands
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from console.words import measure

# P(a short is measured | solder joins the two nets), and for all else: common practice, no source
_SURELY: Final = 0.95
_HARDLY: Final = 0.02


class Bringup:
    """One board on its way from the first look to the end of its plan.

    `show` gets the picture after every attempt and answer while a silent board is diagnosed. `simulated` says whether
    the board is a real one, where that is known. After `run` the session is still open.
    """

    def __init__(
        self,
        plan: Plan,
        session: Session,
        fold: Fold,
        hands: Hands,
        around: Around,
        *,
        serial: str = "",
        start_at: str | None = None,
        simulated: bool | None = None,
        show: Callable[[Snapshot, bool], None] = lambda snapshot, attempted: None,
        past: Past | None = None,
    ) -> None:
        """Raises UsageTrouble `stage` where `start_at` is no stage of the plan."""
        if start_at is not None and all(stage.id != start_at for stage in plan.stages):
            names = ", ".join(stage.id for stage in plan.stages)
            raise UsageTrouble("stage", f"the plan has no stage {start_at!r}", help=f"one of: {names}")
        self._plan = plan
        self._session = session
        self._fold = fold
        self._serial = serial
        self._start_at = start_at
        self._simulated = simulated
        self._marks = Marks(session)
        self._standing = Standing(plan, past)
        self._port = OverPort(plan, session, around, self._into_loader)
        self._operator = Operator(self._standing, session, fold, hands, self._marks, self._port.let_go)
        self._silent = Silent(self._standing, self._operator, session, fold, self._port, self._marks, show)
        self._search = Search(self._standing, self._operator, self._marks, self._silent.walk, self._one)

    async def run(self) -> Outcome:
        """To the end of the plan, or until the operator stops. Raises what hands raise, and the record says so."""
        outcome = Outcome.STOPPED
        self._marks.plan(self._plan, self._serial, self._simulated)
        for stage in self._plan.stages:
            if self._start_at in (None, stage.id):
                break
            self._standing.trust(stage)
            self._marks.trust(stage.id)
        try:
            outcome = await self._all()
        except Stopped:
            state = self._fold.snapshot().bringup
            outcome = Outcome.STOPPED if state is None else state.settled()
        except WakelineError as error:
            outcome = error.outcome
            self._session.trouble(error)
            raise
        finally:
            self._marks.done(outcome)
        return outcome

    def stop(self) -> None:
        """End what runs now; while something is written, at the next block's border."""
        self._port.stop()

    async def _all(self) -> Outcome:
        standing = self._standing
        while True:
            left = next((stage for stage in self._plan.stages if stage.id not in standing.passed), None)
            if left is None:
                return Outcome.OK
            try:
                for stage in self._plan.way_to(left.id, standing.passed, standing.live):
                    if not await self._one(stage):
                        break
            except TakenBack:
                continue

    async def _one(self, stage: Stage) -> bool:
        """Run a stage; False where it failed and something was done about it. Raises Stopped where nothing is."""
        if stage.power is not None:
            await self._operator.power(stage.power)
        by_hand = stage.work in BY_HAND
        self._marks.begin(stage, "" if by_hand else cautions.for_stage(stage, has_cell=self._plan.has_cell))
        left = True
        try:
            result = await (self._by_hand(stage) if by_hand else self._port.run(stage))
            left = False
        except TakenBack:  # the record says so
            left = False
            raise
        finally:
            if left:
                self._marks.end(stage, Result(Outcome.STOPPED, off="left in the middle of it"))
        self._silent.answered(stage, result.outcome)
        self._marks.end(stage, result)
        if self._standing.ended(stage, result):
            return True
        await self._search.stopped_at(stage, result)
        return False

    async def _by_hand(self, stage: Stage) -> Result:
        check = asking.by_hand(self._plan, stage)
        reply = await self._operator.ask(check)
        mended = asking.seen_in(stage) if reply.outcome == asking.MENDED else None
        self._standing.told.append(Said(stage.id, "stage", "" if mended is None else mended.key))
        if reply.kind == "skip":
            return Result(Outcome.OK, "left out by the operator", skipped=True)
        if reply.value is not None and stage.limits is not None:
            off = stage.limits.off_by(reply.value)
            shown = measure(reply.value, reply.unit)
            outcome = Outcome.MISMATCH if off else Outcome.OK
            evidence = _short(stage, reply.value) or self._too_high(stage, reply.value)
            return Result(outcome, shown, off, evidence, seen=(reply.outcome,) if off else ())
        means = dict(check.answers).get(reply.outcome, reply.outcome)
        if mended is not None:
            self._search.mended(mended, stage.id)
        good = reply.outcome in (GOOD, asking.MENDED, asking.YES)
        return Result(Outcome.OK if good else Outcome.MISMATCH, "" if good else reply.outcome, "" if good else means)

    def _too_high(self, stage: Stage, value: float) -> Implication | None:
        """A supply above its limits: neither missing nor shorted."""
        rails = {rail.net: rail for rail in self._plan.rails}
        if stage.work is not Work.MEASURE or stage.limits is None or value <= stage.limits.most:
            return None
        net = next((net for net in stage.nets if net in rails), None)
        return None if net is None else too_high(self._plan.board, rails, net, value)

    async def _into_loader(self) -> None:
        await self._operator.ask(asking.into_loader(self._plan))


def _short(stage: Stage, value: float) -> Implication | None:
    """Two nets that should be apart and are not: nothing but solder between them makes that likely."""
    if stage.between is None or stage.limits is None or value >= stage.limits.least or len(set(stage.nets)) != 2:
        return None
    return Implication("a short", joined={frozenset(stage.nets): _SURELY}, otherwise=_HARDLY)
