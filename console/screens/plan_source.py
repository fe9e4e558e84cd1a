"""What the bring-up screen works on: a board's plan over one session, and the hands that wait for a person's keys."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

import protocols
from console.boards.plan import Plan
from console.bringup.around import SystemPorts, settings_for
from console.bringup.run import Bringup
from console.causes.rank import NextCheck
from console.clock import MonotonicClock
from console.commands.attempt import simulated_adapter
from console.errors import WakelineError
from console.events import Event
from console.link import make_link
from console.operating import Reply
from console.screens.bridge import Bridge
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from console.text import clean, file_name

if TYPE_CHECKING:
    from console.operating import Hands
    from console.record.recorder import Recorder


_NOTHING = Fold().snapshot()


class KeyHands:
    """Waits for what a person says at the keys; `check` is what they are asked, None while nothing is."""

    def __init__(self) -> None:
        self.check: NextCheck | None = None
        self._said: asyncio.Future[Reply] | None = None

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """Wait for `say`."""
        self.check = check
        self._said = asyncio.get_running_loop().create_future()
        try:
            return await self._said
        finally:
            self.check = self._said = None

    async def act(self, check: NextCheck) -> None:
        """The person has done it."""

    async def prepare(self, test: str) -> None:
        """The person has done it: the step said what to join."""

    async def restore(self, test: str) -> None:
        """The next step says what it needs."""

    async def reset(self, words: str) -> bool:
        """Ask for it."""
        step = NextCheck("reset", words, 0.2, None, "the chip takes another rate only after a reset", "reset-done")
        return (await self.reply(step, _NOTHING)).kind == "done"

    def say(self, reply: Reply) -> None:
        """What the person says; nothing while nothing is asked."""
        if self._said is not None and not self._said.done():
            self._said.set_result(reply)


class PlanSource:
    """One plan on one port. `record` is a capture to write; `hands` stand in for the person's in tests."""

    loading = False

    def __init__(
        self,
        plan: Plan,
        port: str,
        *,
        serial: str = "",
        start_at: str | None = None,
        record: str | None = None,
        overwrite: bool = False,
        hands: Hands | None = None,
    ) -> None:
        """Raises UsageTrouble for a stage that the plan does not have, PortTrouble for an address that is no port's,
        InputTrouble for a record that cannot be written."""
        self.plan = plan
        self.port = port
        self.bridge = Bridge()
        self.keys = KeyHands()
        self.record_trouble: WakelineError | None = None
        clock = MonotonicClock()
        settings = settings_for(port, plan.loader)
        self.session = Session(
            make_link(settings, clock),
            protocols.load(plan.family),
            clock=clock,
            sinks=[self.bridge.event],
            adapt=simulated_adapter,
        )
        around = SystemPorts(port, clock, _stands_in(port))
        self._bringup = Bringup(
            plan, self.session, self.bridge.fold, hands or self.keys, around, serial=serial, start_at=start_at
        )
        self._recorder = self._record(record, overwrite) if record else None
        self._task: asyncio.Task[object] | None = None

    @property
    def busy(self) -> bool:
        """Whether leaving now would cut the plan off."""
        return self._task is not None and not self._task.done()

    @property
    def recording(self) -> bool:
        """Whether a capture file grows."""
        return self._recorder is not None and self._recorder.running

    @property
    def title(self) -> str:
        """What is open, in words."""
        return f"{clean(self.plan.name)} {clean(self.plan.revision)} on {clean(self.port)}"

    @property
    def name(self) -> str:
        """A short name for files."""
        return file_name(f"{self.plan.name}-{self.plan.revision}")

    async def run(self) -> None:
        """Carry the plan out. Raises WakelineError."""
        self._task = asyncio.ensure_future(self._bringup.run())
        try:
            await self._task
        finally:
            self.bridge.stir()

    def stop(self) -> None:
        """End what runs over the port, at a block's border while something is written; else leave the plan."""
        if self.session.busy:
            self._bringup.stop()
        else:
            self.keys.say(Reply("stop"))

    async def close(self) -> None:
        """End the plan, close port and record."""
        if self._task is not None and not self._task.done():
            self._task.cancel()
            await asyncio.wait([self._task])
        self.bridge.close()
        try:
            await self.session.close()
        finally:
            if self._recorder is not None:
                self._recorder.close()

    def _record(self, path: str, overwrite: bool) -> Recorder:
        from console.record.recorder import Recorder

        def failed(trouble: WakelineError) -> None:
            self.record_trouble = trouble  # told with the next picture

        baud = self.plan.loader.baud
        recorder = Recorder(Path(path), port=self.port, baud=baud, overwrite=overwrite, trouble=failed)

        def take(event: Event) -> None:
            recorder.event(event)

        self.session.add_sink(take)
        return recorder


def _stands_in(port: str) -> str:
    from console.bench import control

    return "the simulated board's port is there" if control.find(port) is not None else ""
