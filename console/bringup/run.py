"""Carries a board's plan out: stage by stage, stopping at a failure, with suspects, repairs and what counts again.

Everything it does is in the record as marks, so that a capture shows how the plan stood at every moment. Where the
operator's answers come from is the business of `operating.Hands`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from console.boards.faults import Kind
from console.boards.limits import GOOD
from console.boards.plan import BY_HAND, PASSING, Plan, Repair, Stage, Work, again_after, faults_of, repair_of
from console.boards.stagerun import Implication, StageRun
from console.boards.suspects import Group, Suspect, Suspects, suspects
from console.bringup import asking
from console.bringup.marks import Marks
from console.bringup.over_port import Around, OverPort, Result
from console.causes.rank import NextCheck
from console.errors import Outcome, Stopped, UsageTrouble, WakelineError
from console.operating import Hands, Reply, walk
from console.session.session import Session
from console.snapshot import Fold, Snapshot

_SILENT: Final = frozenset({Work.SYNC, Work.IDENTIFY})
# a glance, ohms and silence are the same with joints that do not hold
_CLEARS_NOBODY: Final = frozenset({Work.INSPECT, Work.CONTINUITY})
_WORTH_A_LOOK: Final = 0.0005
# P(a short is measured | solder joins the two nets), and for all else: common practice, no source
_SURELY: Final = 0.95
_HARDLY: Final = 0.02
MOST_LOOKS: Final = 200


class _TakenBack(Exception):
    """The operator took an answer back: begin with what that leaves."""


class Bringup:
    """One board on its way from the first look to the end of its plan.

    `show` gets the picture after every attempt and answer while a silent board is diagnosed. After `run` the session is
    still open.
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
        show: Callable[[Snapshot, bool], None] = lambda snapshot, attempted: None,
    ) -> None:
        """Raises UsageTrouble `stage` where `start_at` is no stage of the plan."""
        if start_at is not None and all(stage.id != start_at for stage in plan.stages):
            names = ", ".join(stage.id for stage in plan.stages)
            raise UsageTrouble("stage", f"the plan has no stage {start_at!r}", help=f"one of: {names}")
        self._plan = plan
        self._session = session
        self._fold = fold
        self._hands = hands
        self._show = show
        self._serial = serial
        self._start_at = start_at
        self._marks = Marks(session)
        self._port = OverPort(plan, session, around, self._into_loader)
        self._faults = faults_of(plan)
        self._passed: set[str] = set()
        self._live: set[str] = set()
        self._runs: dict[str, StageRun] = {}
        self._told: list[str] = []
        self._cleared: list[str] = []
        self._left_out: set[str] = set()
        self._repeated: set[str] = set()
        self._seen: set[str] = set()
        self._powered: bool | None = None
        self._was_powered = False

    async def run(self) -> Outcome:
        """To the end of the plan, or until the operator stops. Raises what hands raise, and the record says so."""
        outcome = Outcome.STOPPED
        self._marks.plan(self._plan, self._serial)
        for stage in self._plan.stages:
            if self._start_at in (None, stage.id):
                break
            self._passed.add(stage.id)
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
        while True:
            left = next((stage for stage in self._plan.stages if stage.id not in self._passed), None)
            if left is None:
                return Outcome.OK
            try:
                for stage in self._plan.way_to(left.id, self._passed, self._live):
                    if not await self._one(stage):
                        break
            except _TakenBack:
                continue

    # ---------------------------------------------------------------------------------------------------- a stage

    async def _one(self, stage: Stage) -> bool:
        """Run a stage; False where it failed and something was done about it. Raises Stopped where nothing is."""
        if stage.power is not None:
            await self._power(stage.power)
        self._marks.begin(stage)
        result: Result | None = None
        try:
            result = await (self._by_hand(stage) if stage.work in BY_HAND else self._port.run(stage))
        finally:
            if result is None:  # left in the middle of it
                self._marks.end(stage, Outcome.STOPPED, "", "left in the middle of it")
        self._marks.end(stage, result.outcome, result.found, result.off, result.seen)
        good = result.outcome is Outcome.OK
        if good and (stage.work in _CLEARS_NOBODY or (stage.work is Work.LISTEN and not stage.hears)):
            self._runs.pop(stage.id, None)
            self._seen.add(stage.id)
        else:
            self._runs[stage.id] = StageRun(stage.id, good, stage.exercises, result.evidence)
        if good:
            self._passed.add(stage.id)
            self._comes_alive(stage)
            return True
        self._passed.discard(stage.id)
        await self._stopped_at(stage, result)
        return False

    def _comes_alive(self, stage: Stage) -> None:
        if stage.work in (Work.START, Work.SYNC):  # either ends what the chip did before
            self._live = {stage.id}
        elif stage.work in PASSING:
            self._live.add(stage.id)

    async def _by_hand(self, stage: Stage) -> Result:
        check = asking.by_hand(self._plan, stage)
        reply = await self._ask(check)
        if reply.kind == "skip":
            self._told.append(stage.id)
            return Result(Outcome.OK, "left out by the operator")
        self._told.append(stage.id)
        if reply.value is not None and stage.limits is not None:
            off = stage.limits.off_by(reply.value)
            shown = f"{reply.value:g} {reply.unit}".strip() if reply.value != float("inf") else "open"
            outcome = Outcome.MISMATCH if off else Outcome.OK
            return Result(outcome, shown, off, _short(stage, reply.value), seen=(reply.outcome,) if off else ())
        means = dict(check.answers).get(reply.outcome, reply.outcome)
        if reply.outcome == asking.MENDED:
            self._mended(Repair(f"seen in {stage.id}", stage.look, stage.exercises.parts, frozenset()), stage.id)
        good = reply.outcome in (GOOD, asking.MENDED, asking.YES)
        return Result(Outcome.OK if good else Outcome.MISMATCH, "" if good else reply.outcome, "" if good else means)

    # ------------------------------------------------------------------------------------------------- a failure

    async def _stopped_at(self, stage: Stage, result: Result) -> None:
        """Find what it was, until something was put right or the stage shall be tried again. Raises Stopped."""
        if stage.work in _SILENT and result.outcome in (Outcome.NO_ANSWER, Outcome.REFUSED):
            self._live.clear()
            if await walk(self._session, self._fold, self._hands, self._show) is Outcome.OK:
                return
        once = stage.work is Work.LISTEN and stage.id not in self._repeated
        if result.help or once:  # a port that stumbles at its opening is more likely than any joint
            self._repeated.add(stage.id)
            reply = await self._ask(asking.try_again(stage, result.help or "wait until the line has come to rest"))
            if reply.kind == "skip":
                raise Stopped("stopped", "left by the user", help="--from STAGE goes on later")
            return
        for _ in range(MOST_LOOKS):
            cleared = (*self._cleared, *self._not_bridged())
            found = suspects(self._plan.board, list(self._runs.values()), faults=self._faults, cleared=cleared)
            self._marks.suspects(stage, found, self._cleared)
            chosen = self._first(found)
            if chosen is None:
                break
            group, item = chosen
            if item.caution_id != "S01b":
                await self._power(False)
            reply = await self._ask(asking.at_suspect(self._plan, group, item))
            if reply.kind == "skip":
                self._left_out.add(item.key)
            elif reply.outcome == asking.RETRY:
                return
            elif reply.outcome == asking.FINE:
                self._cleared.append(item.key)
                self._marks.cleared(item.key)
            else:
                fault = next(one for one in self._faults if one.key == item.key)
                self._mended(repair_of(fault, item.title))
                await self._gone_dark()
                return
        raise Stopped("no-suspect", "nothing is left that is worth a look", help="ask for a second pair of eyes")

    def _not_bridged(self) -> Iterator[str]:
        """Bridges between nets that were measured and found apart: as good as looked at."""
        apart = [
            frozenset(stage.nets)
            for stage in self._plan.stages
            if stage.between is not None and stage.limits is not None and stage.limits.least > 0
            if stage.id in self._seen
        ]
        for fault in self._faults:
            if fault.kind is Kind.BRIDGE and fault.nets in apart:
                yield fault.key

    def _first(self, found: Suspects) -> tuple[Group, Suspect] | None:
        for group in found.groups:
            for item in group.items:
                open_ = item.key not in self._left_out and item.key not in self._cleared
                if open_ and item.probability >= _WORTH_A_LOOK:
                    return group, item
        return None

    def _mended(self, repair: Repair, during: str = "") -> None:
        """What was worked on counts again; what was cleared before may be worse now."""
        again = tuple(id for id in again_after(self._plan, repair) if id != during and id in self._passed)
        self._passed.difference_update(again)
        self._seen.difference_update(again)
        for id in again:
            self._runs.pop(id, None)
        self._cleared.append(repair.key)
        self._marks.repair(repair, again)

    # ------------------------------------------------------------------------------------------------- the operator

    async def _power(self, on: bool) -> None:
        if self._powered is on:
            return
        await self._ask(asking.power(on, not self._was_powered))
        if on:
            self._powered = self._was_powered = True
        else:
            await self._gone_dark()

    async def _gone_dark(self) -> None:
        self._powered = False
        self._live.clear()
        await self._port.let_go()

    async def _into_loader(self) -> None:
        await self._ask(asking.into_loader(self._plan))

    async def _ask(self, check: NextCheck) -> Reply:
        """What the operator says to it; notes are written down on the way. Raises Stopped, _TakenBack."""
        self._marks.ask(check)
        while True:
            reply = await self._hands.reply(check, self._fold.snapshot())
            match reply.kind:
                case "note":
                    self._session.operator("remark", text=reply.text)
                case "have":
                    self._session.operator("at-hand", item=reply.text)
                case "stop":
                    self._marks.answer(check, reply)
                    raise Stopped("stopped", "stopped by the user", help="--from STAGE goes on later")
                case "undo":
                    if self._take_back():
                        self._marks.answer(check, reply)
                        raise _TakenBack
                case _:
                    self._marks.answer(check, reply)
                    if reply.kind == "done":
                        await self._hands.act(check)
                    return reply

    def _take_back(self) -> bool:
        """Forget the latest thing that was told of a stage by hand, or of a suspect."""
        if not self._told:
            return False
        last = self._told.pop()
        self._passed.discard(last)
        self._runs.pop(last, None)
        self._seen.discard(last)
        self._marks.again((last,))
        return True


def _short(stage: Stage, value: float) -> Implication | None:
    """Two nets that should be apart and are not: nothing but solder between them makes that likely."""
    if stage.between is None or stage.limits is None or value >= stage.limits.least or len(set(stage.nets)) != 2:
        return None
    return Implication("a short", joined={frozenset(stage.nets): _SURELY}, otherwise=_HARDLY)
