"""The simulated bench's hands on a whole board: they look, measure, solder and switch as the plan asks.

Limits of the simulated bench: a reading of what it does not model is as it should be; a glance at many joints finds
none of them wrong, a look at one joint always.
"""

from __future__ import annotations

import math

from console.bench.client import SimulatedBench
from console.boards.limits import GOOD
from console.boards.plan import Plan, Stage, Work
from console.bringup import asking
from console.causes.rank import NextCheck
from console.causes.reading import Scale
from console.commands.hands import BenchHands, Say
from console.operating import Reply
from console.snapshot import Snapshot


class BoardBenchHands(BenchHands):
    """Hands that know the plan as the operator does, and of the staged faults nothing but what they find."""

    def __init__(self, bench: SimulatedBench, plan: Plan, say: Say) -> None:
        super().__init__(bench.act, say)
        self._plan = plan
        self._tried: set[str] = set()

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """What the bench shows. Raises UsageTrouble, PortTrouble."""
        stage = next((one for one in self._plan.stages if one.id == check.id), None)
        if stage is not None:
            return await self._at_stage(stage, check)
        if check.change and check.id in (asking.POWER_ON, asking.POWER_DOWN, asking.INTO_LOADER):
            self._say(f"  hands: {check.title}")
            return Reply("done")
        if check.id.endswith("-again"):
            return await self._once_more(check)
        if dict(check.answers).keys() >= {asking.MENDED, asking.FINE}:
            return await self._at_suspect(check)
        return await super().reply(check, snapshot)

    async def act(self, check: NextCheck) -> None:
        """Make the change on the bench."""
        match check.id:
            case asking.POWER_ON | asking.POWER_DOWN:
                await self._act(check.id)
            case asking.INTO_LOADER:
                await self._act("strap-boot")
                await self._act("reset")
            case _:
                await super().act(check)

    async def _at_stage(self, stage: Stage, check: NextCheck) -> Reply:
        if stage.work is Work.CONFIRM:
            watched = [(await self._act("watch", part=part))["so"] for part in sorted(stage.exercises.parts)]
            return Reply("found", asking.YES if all(watched) else asking.NO)
        if check.scale is None:
            return Reply("found", GOOD)
        value = await self._value(stage, check.scale)
        return Reply("found", check.scale.band(value).outcome, value, check.scale.unit)

    async def _value(self, stage: Stage, scale: Scale) -> float:
        """What the meter shows."""
        if scale.unit in ("V", "ohm"):
            found = await self._act("measure", at=" ".join(stage.between or stage.nets))
            if found["known"]:
                return math.inf if found["value"] is None else _as_shown(float(found["value"]))
        limits = stage.limits
        assert limits is not None
        if math.isinf(limits.most):
            return 2 * limits.least
        return limits.most / 2 if math.isinf(limits.least) else (limits.least + limits.most) / 2

    async def _once_more(self, check: NextCheck) -> Reply:
        """Plug it in again and try, but only once."""
        if check.id in self._tried:
            return Reply("stop")
        self._tried.add(check.id)
        await self._act("return")
        return Reply("found", asking.RETRY)

    async def _at_suspect(self, check: NextCheck) -> Reply:
        """Look at each place the suspect names; what is wrong there is put right at once."""
        changed = False
        for place in check.id.split()[1:]:
            if "." in place:
                changed |= bool((await self._act("mend", place=place))["changed"])
            elif place in self._plan.board.circuit.parts:
                changed |= bool((await self._act("exchange", part=place))["changed"])
        return Reply("found", asking.MENDED if changed else asking.FINE)


def _as_shown(value: float) -> float:
    """A bench meter shows four digits."""
    return float(f"{value:.4g}")
