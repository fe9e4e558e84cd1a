"""The simulated bench's hands on a whole board: they look, measure, solder and switch as the plan asks.

Limits of the simulated bench: of the supplies it models the 3.3 V rail alone, others are as they should be; what is
only looked at is in order, because its faults are in the joints and parts behind the chip.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from console.bench.client import SimulatedBench
from console.boards.limits import GOOD
from console.boards.plan import Plan, Stage, Work
from console.boards.splits import OHMS, VOLTS
from console.bringup import asking
from console.causes.rank import NextCheck
from console.causes.reading import Scale
from console.commands.hands import BenchHands, Say
from console.operating import OTHER, Hands, Reply
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
        if check.id == asking.PROGRAM_MISSING:  # who staged the board knows no better than who reads the plan
            self._say(f"  hands: {check.title} Yes.")
            return Reply("found", asking.WRITE)
        if check.id.endswith("-again"):
            return await self._once_more(check)
        if check.id.split()[0] in (VOLTS, OHMS):
            return await self._at_supply(check)
        if OTHER in dict(check.answers):
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
        self._say(f"  hands: {check.title}")
        if check.scale is None:
            return Reply("found", asking.YES if stage.work is Work.CONFIRM else GOOD)
        value = await self._value(stage, check.scale)
        return Reply("found", check.scale.band(value).outcome, value, check.scale.unit)

    async def _value(self, stage: Stage, scale: Scale) -> float:
        """What the meter shows."""
        if stage.work is Work.MEASURE and stage.nets == (_MODELLED,):
            found = await self._act("check", check="K08")
            return float(found["readings"][0]["value"])
        if stage.work is Work.CONTINUITY and all(map(self._plan.board.is_rail, stage.nets)):
            return _SHORT_OHM if await self._shorted() else math.inf
        limits = stage.limits
        assert limits is not None
        if math.isinf(limits.most):
            return 2 * limits.least
        return limits.most / 2 if math.isinf(limits.least) else (limits.least + limits.most) / 2

    async def _at_supply(self, check: NextCheck) -> Reply:
        """What a meter shows at a supply before anybody looks."""
        kind, net, *leads = check.id.split()
        if kind == OHMS:
            short = net == _MODELLED and await self._shorted()
            return Reply("found", asking.NO if short else asking.YES)
        volts = 0.0
        for lead in leads:
            if [lead] in (await self._act("look", place=lead))["found"]:  # it is not soldered, so nothing is on it
                return Reply("found", *((check.scale.band(0.0).outcome, 0.0, "V") if check.scale else (asking.NO,)))
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
        """Look at each place the suspect names; what is wrong there is put right at once, whatever it is."""
        self._say(f"  hands: {check.title}")
        places = self._places(check.id)
        if await self._repaired(places):
            return Reply("found", asking.MENDED)
        for place in places:
            for pins in (await self._act("look", place=place))["found"]:
                words = f"solder between {' and '.join(pins)}" if len(pins) > 1 else f"{pins[0]} is not soldered"
                self._say(f"  looked: {words}")
                await self._act("mend", place=pins[0])
                looked_for = sorted(pins) == sorted(places)
                return Reply("found", asking.MENDED) if looked_for else Reply("found", OTHER, text=words)
        return Reply("found", asking.FINE)

    async def work_at(self, check: NextCheck, reply: Reply) -> None:
        """Do what somebody says they put right at a suspect; what is all right there stays as it is."""
        places = self._places(check.id if reply.outcome == asking.MENDED else reply.text)
        await self._repaired(places)
        for place in places:
            if place not in self._plan.board.circuit.parts:
                await self._act("mend", place=place)

    def _places(self, words: str) -> list[str]:
        """The pins and parts of this board that are named there."""
        circuit = self._plan.board.circuit
        known = circuit.parts.keys() | {pin.ref for pin in circuit.pins}
        return [word for word in re.findall(r"[\w.+-]*\w", words) if word in known]

    async def _repaired(self, places: Sequence[str]) -> bool:
        """Clear a short between the supply and ground, or change a part; whether it was needed."""
        nets = {pin.net for pin in self._plan.board.circuit.pins if pin.ref in places}
        changed = nets == {_MODELLED, GROUND} and bool((await self._act("repair", step="R04"))["changed"])
        for place in places:
            if place in self._plan.board.circuit.parts:
                changed |= bool((await self._act("exchange", part=place))["changed"])
        return changed


class AskedOnBench:
    """Somebody else answers, at a prompt or from a file, and the simulated bench's hands do what is said."""

    def __init__(self, asked: Hands, bench: BoardBenchHands) -> None:
        self._asked = asked
        self._bench = bench

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """What they say; what they say they put right is put right on the bench. Raises what both raise."""
        said = await self._asked.reply(check, snapshot)
        if said.outcome in (asking.MENDED, OTHER) and OTHER in dict(check.answers):
            await self._bench.work_at(check, said)
        return said

    async def act(self, check: NextCheck) -> None:
        """Make the change on the bench."""
        await self._bench.act(check)

    async def prepare(self, test: str) -> None:
        """Join or part on the bench."""
        await self._bench.prepare(test)

    async def restore(self, test: str) -> None:
        """As it was."""
        await self._bench.restore(test)

    async def reset(self, words: str) -> bool:
        """Press the board's reset."""
        return await self._bench.reset(words)
