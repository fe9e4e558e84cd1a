"""The simulated bench's hands on a whole board: they look, measure, solder and switch as the plan asks.

Limits of the simulated bench: a reading of what it does not model is as it should be; a glance at many joints finds
none of them wrong, a look at one joint always.
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

_SHORT_OHM = 10.0
"""Below it many continuity testers sound."""
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
            found = await self._measured(*(stage.between or stage.nets))
            if found is not None:
                return found
        limits = stage.limits
        assert limits is not None
        if math.isinf(limits.most):
            return 2 * limits.least
        return limits.most / 2 if math.isinf(limits.least) else (limits.least + limits.most) / 2

    async def _measured(self, *places: str) -> float | None:
        """Volts at a place, or ohms between two; None for what the bench does not model."""
        found = await self._act("measure", at=" ".join(places))
        if not found["known"]:
            return None
        return math.inf if found["value"] is None else float(f"{found['value']:.4g}")  # a meter of four digits

    async def _at_supply(self, check: NextCheck) -> Reply:
        """What a meter shows at a supply before anybody looks."""
        kind, net, *leads = check.id.split()
        if kind == OHMS:
            found = await self._measured(net, *leads)
            return Reply("found", asking.NO if found is not None and found < _SHORT_OHM else asking.YES)
        found = await self._measured(net)
        for lead in leads:
            if [lead] in (await self._act("look", place=lead))["found"]:  # it is not soldered, so nothing is on it
                found = 0.0
        limits = next((rail.limits for rail in self._plan.rails if rail.net == net), None)
        if check.scale is None or limits is None:
            return Reply("found", asking.NO if found is not None and found <= _DEAD_V else asking.YES)
        volts = (limits.least + limits.most) / 2 if found is None else found
        return Reply("found", check.scale.band(volts).outcome, volts, check.scale.unit)

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
        places = self._places(check.id) or self._at_source(check.id)
        if await self._repaired(places):
            return Reply("found", asking.MENDED)
        for place in places:
            for pins in (await self._act("look", place=place))["found"]:
                one, *others = pins
                words = f"solder between {one} and {others[0]}" if others else f"the joint of {one} does not hold"
                self._say(f"  looked: {words}")
                await self._act("mend", place=one)
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

    def _at_source(self, key: str) -> list[str]:
        """The parts that make a supply, and their pins: a supply that is missing is followed to its source."""
        board, net = self._plan.board, key.split()[-1]
        makers = board.makers(net) if net in board.circuit.nets else ()
        return [*makers, *(pin.ref for maker in makers for pin in board.circuit.parts[maker])]

    async def _repaired(self, places: Sequence[str]) -> bool:
        """Change parts that do nothing; whether it was needed."""
        changed = False
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
