"""The simulated bench's hands on a whole board: they look, measure, solder and switch as the plan asks.

Limits of the simulated bench: of the supplies it models the 3.3 V rail alone, others are as they should be; what is
only looked at is in order, because its faults are in the joints and parts behind the chip.
"""

from __future__ import annotations

import math

from console.bench.client import SimulatedBench
from console.boards.limits import GOOD
from console.boards.plan import Plan, Stage, Work
from console.boards.splits import OHMS, VOLTS
from console.boards.stagerun import RAILS
from console.bringup import asking
from console.causes.rank import NextCheck
from console.causes.reading import Scale
from console.commands.hands import BenchHands, Say
from console.operating import Reply
from console.snapshot import Snapshot

_MODELLED, GROUND = "+3V3", "GND"
_SHORT_OHM = 0.3
_DEAD_V = 1.0


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
        if check.id.split()[0] in (VOLTS, OHMS):
            return await self._at_supply(check)
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
        if check.scale is None:
            return Reply("found", asking.YES if stage.work is Work.CONFIRM else GOOD)
        value = await self._value(stage, check.scale)
        return Reply("found", check.scale.band(value).outcome, value, check.scale.unit)

    async def _value(self, stage: Stage, scale: Scale) -> float:
        """What the meter shows."""
        if stage.work is Work.MEASURE and stage.nets == (_MODELLED,):
            found = await self._act("check", check="K08")
            return float(found["readings"][0]["value"])
        if stage.work is Work.CONTINUITY and all(RAILS.fullmatch(net) for net in stage.nets):
            return _SHORT_OHM if await self._shorted() else math.inf
        limits = stage.limits
        assert limits is not None
        if math.isinf(limits.most):
            return 2 * limits.least
        return limits.most / 2 if math.isinf(limits.least) else (limits.least + limits.most) / 2

    async def _at_supply(self, check: NextCheck) -> Reply:
        """What a meter shows at a supply before anybody looks."""
        kind, net = check.id.split()[:2]
        if kind == OHMS:
            short = net == _MODELLED and await self._shorted()
            return Reply("found", asking.NO if short else asking.YES)
        volts = 0.0
        if net == _MODELLED:
            volts = float((await self._act("check", check="K08"))["readings"][0]["value"])
        limits = next((rail.limits for rail in self._plan.rails if rail.net == net), None)
        if check.scale is None or limits is None:
            return Reply("found", asking.YES if net != _MODELLED or volts > _DEAD_V else asking.NO)
        volts = volts if net == _MODELLED else (limits.least + limits.most) / 2
        return Reply("found", check.scale.band(volts).outcome, volts, check.scale.unit)

    async def _shorted(self) -> bool:
        """Whether the supply is short: the bench shows it as current, and only with the power on."""
        await self._act(asking.POWER_ON)
        found = await self._act("check", check="K24")
        await self._act(asking.POWER_DOWN)
        return bool(found["outcome"] == "high")

    async def _once_more(self, check: NextCheck) -> Reply:
        """Plug it in again and try, but only once."""
        if check.id in self._tried:
            return Reply("stop")
        self._tried.add(check.id)
        await self._act("return")
        return Reply("found", asking.RETRY)

    async def _at_suspect(self, check: NextCheck) -> Reply:
        """Look at each place the suspect names; what is wrong there is put right at once."""
        nets = {pin.net for pin in self._plan.board.circuit.pins if pin.ref in check.id.split()}
        changed = nets == {_MODELLED, GROUND} and bool((await self._act("repair", step="R04"))["changed"])
        for place in check.id.split()[1:]:
            if "." in place:
                changed |= bool((await self._act("mend", place=place))["changed"])
            elif place in self._plan.board.circuit.parts:
                changed |= bool((await self._act("exchange", part=place))["changed"])
        return Reply("found", asking.MENDED if changed else asking.FINE)
