"""What happens when a stage of a plan has stopped: suspects, tests worth more than looking, repairs, until it is worth
another run."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Final

from console.boards.cautions import LIVE
from console.boards.faults import Kind
from console.boards.memory import bad_memory
from console.boards.plan import CONTENT, Repair, Stage, Work, repair_of, repair_told
from console.boards.splits import Split
from console.boards.supply import METER
from console.boards.suspects import Group, Suspect, Suspects, weigh
from console.bringup import asking
from console.bringup.marks import Marks
from console.bringup.operator import Operator, TakenBack
from console.bringup.over_port import Result
from console.bringup.standing import Said, Standing
from console.errors import Outcome, Stopped
from console.operating import OTHER

_SILENT: Final = frozenset({Work.SYNC, Work.IDENTIFY})
_CUT_OFF: Final = CONTENT | {Work.START}
_WORTH_A_LOOK: Final = 0.0005
MOST_LOOKS: Final = 200


class Search:
    """Finds what made a stage fail. `walk` diagnoses a silent board (None: something was soldered), `run` does one
    stage as the plan does it."""

    def __init__(
        self,
        standing: Standing,
        operator: Operator,
        marks: Marks,
        walk: Callable[[Stage], Awaitable[Outcome | None]],
        run: Callable[[Stage], Awaitable[bool]],
    ) -> None:
        self._standing = standing
        self._operator = operator
        self._marks = marks
        self._walk = walk
        self._run = run
        self._repeated: set[str] = set()

    async def stopped_at(self, stage: Stage, result: Result) -> None:
        """Find what it was, until something was put right or the stage shall be tried again.

        Raises Stopped where the operator leaves or nothing is left to look at, TakenBack where more than a look is.
        """
        at_once = asking.switch_off(stage, result.seen, result.off)
        if at_once is not None:
            await self._operator.power(False, at_once)
        dead = at_once is not None or stage.work is Work.CONTINUITY  # the board gets no power before it is mended
        if stage.work in _SILENT and result.outcome in (Outcome.NO_ANSWER, Outcome.REFUSED):
            self._standing.live.clear()
            if await self._walk(stage) in (Outcome.OK, None):
                return
        once = self._worth_repeating(stage, result)
        if result.help or once:
            self._repeated.add(stage.id)
            reply = await self._operator.ask(asking.try_again(stage, result.help or once))
            if reply.kind == "skip" and not once:
                raise Stopped("stopped", "left by the user", help="--from STAGE goes on later")
            if reply.kind != "skip":
                if once and stage.work in _CUT_OFF:  # whatever the chip was in the middle of is over
                    await self._operator.power(False)
                return
        if await self._program_missing(stage, result):
            return
        standing = self._standing
        for _ in range(MOST_LOOKS):
            faults = standing.not_mute(stage) if result.talks else standing.faults
            if dead:  # a supply that is missing joins nothing and is not too high, and is looked for with power on
                faults = tuple(fault for fault in faults if fault.kind is not Kind.RAIL)
            runs = [*standing.runs.values(), *standing.ahead.runs(standing.cleared)]
            # a big board takes about a second, in which the screen and the port must go on
            case = await asyncio.to_thread(weigh, standing.plan.board, runs, faults=faults, cleared=standing.cleared)
            found = await asyncio.to_thread(case.answer)
            split = await asyncio.to_thread(standing.ahead.best, case, stage, standing.ready(), dead=dead)
            if result.own:
                found, split = bad_memory(standing.plan.board, faults, result.own, stage.id), None
            notes = (METER,) if at_once is not None and stage.nets else ()
            self._marks.suspects(stage, found, standing.cleared, "" if split is None else split.words, notes)
            chosen = self._first(found)
            try:
                if split is not None:
                    done = await self._tested(split)
                elif chosen is not None:
                    done = await self._looked_at(*chosen, dead=dead)
                else:
                    break
                if done:
                    return
            except TakenBack as back:
                if back.said.about in ("stage", "mended"):
                    raise
        raise Stopped("no-suspect", "nothing is left that is worth a look", help="ask for a second pair of eyes")

    def _worth_repeating(self, stage: Stage, result: Result) -> str:
        """What to do before the stage is tried once more without suspecting anybody; "" where it was, or is no use."""
        if stage.id in self._repeated:
            return ""
        if stage.work is Work.LISTEN:  # a port that stumbles at its opening is more likely than any joint
            return "wait until the line has come to rest"
        if stage.work in _CUT_OFF and result.outcome is Outcome.NO_ANSWER:  # it answered up to there
            return "the chip fell silent in the middle: look that plug and supply sit firmly, then go on"
        if result.talks:
            return (
                "the board's program talks: compare what was heard with `send` and `reply` of this stage; is it the "
                "right program?"
            )
        return ""

    def mended(self, repair: Repair, during: str = "") -> None:
        """Something was put right: what it touched counts again."""
        self._marks.repair(repair, self._standing.mended(repair, during))

    async def _tested(self, split: Split) -> bool:
        """Do what is worth more than looking; whether a stage failed in it and something was done about that."""
        standing = self._standing
        stage = next((one for one in standing.plan.stages if split.probe.key == f"stage {one.id}"), None)
        if stage is not None:
            return not await self._run(stage)
        await self._operator.power(split.probe.live)
        reply = await self._operator.ask(standing.ahead.ask(split))
        standing.told.append(Said(split.probe.key, "probe"))
        standing.ahead.told(split, reply)
        return False

    async def _looked_at(self, group: Group, item: Suspect, *, dead: bool) -> bool:
        """Have a suspect looked at, without power where it must stay `dead`; whether the stage is worth another run.

        Raises Stopped, TakenBack.
        """
        standing = self._standing
        live = item.caution_id == LIVE and not dead
        await self._operator.power(live)
        reply = await self._operator.ask(asking.at_suspect(standing.plan, group, item, live=live))
        if reply.kind == "skip":
            standing.left_out.add(item.key)
            standing.told.append(Said(item.key, "left"))
        elif reply.outcome == asking.FINE:
            standing.cleared.append(item.key)
            standing.told.append(Said(item.key, "looked"))
            self._marks.cleared(item.key, item.title)
        elif reply.outcome == asking.RETRY:
            return True
        else:
            fault = next(one for one in standing.faults if one.key == item.key)
            other = reply.outcome == OTHER
            repair = (
                repair_told(standing.plan, standing.faults, reply.text, fault)
                if other
                else repair_of(fault, item.title)
            )
            standing.told.append(Said(item.key, "mended", repair.key))
            self.mended(repair)
            await self._operator.gone_dark()
            return True
        return False

    async def _program_missing(self, stage: Stage, result: Result) -> bool:
        """The program stays silent or is another one, and nobody saw it written in this run: offer it. Asked once."""
        standing = self._standing
        taken = standing.not_proven_content()
        answered = any(standing.plan.stage(id).work is Work.QUERY for id in standing.passed - standing.unproven)
        silent = stage.work is Work.QUERY and result.outcome is Outcome.NO_ANSWER and not answered
        another = stage.work is Work.VERIFY and result.outcome is Outcome.MISMATCH
        if not taken or not (silent or another) or asking.PROGRAM_MISSING in self._repeated:
            return False
        self._repeated.add(asking.PROGRAM_MISSING)
        reply = await self._operator.ask(asking.program_missing(stage, result.off, taken))
        if reply.outcome != asking.WRITE:
            return False
        standing.runs.pop(stage.id, None)
        standing.do_again(taken)
        self._marks.again(tuple(taken))
        return True

    def _first(self, found: Suspects) -> tuple[Group, Suspect] | None:
        standing = self._standing
        for group in found.groups:
            for item in group.items:
                open_ = item.key not in standing.left_out and item.key not in standing.cleared
                if open_ and item.probability >= _WORTH_A_LOOK:
                    return group, item
        return None
