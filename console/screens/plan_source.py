"""What the bring-up screen works on: a board's plan over one session, and the hands that wait for a person's keys."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import protocols
from console.boards.plan import Plan, Port
from console.bringup.around import SystemPorts, settings_for
from console.bringup.over_port import Around
from console.bringup.run import Bringup
from console.causes.rank import NextCheck
from console.clock import Clock, MonotonicClock
from console.commands.attempt import is_simulated, simulated_adapter
from console.errors import WakelineError
from console.events import Event
from console.link import make_link
from console.link.base import Link
from console.operating import Reply
from console.screens.bridge import Bridge
from console.screens.in_thread import in_thread
from console.screens.source import SETTLE_S
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from console.text import clean, file_name

if TYPE_CHECKING:
    from console.bench.client import SimulatedBench
    from console.bench.scenes import Scene
    from console.notebook.keeper import Keeper, Kept
    from console.operating import Hands
    from console.record.recorder import Recorder


_NOTHING = Fold().snapshot()
_STANDS_IN = "the simulated board's port is there"


class KeyHands:
    """Waits for what a person says at the keys; `check` is what they are asked, None while nothing is.

    With `bench`, the person only says when: the simulated bench's hands do it and say what it showed.
    """

    def __init__(self, bench: Hands | None = None) -> None:
        self.check: NextCheck | None = None
        self.bench = bench
        self._said: asyncio.Future[Reply] | None = None

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """Wait for `say`. Raises what the bench's hands raise."""
        self.check = check
        self._said = asyncio.get_running_loop().create_future()
        try:
            said = await self._said
        finally:
            self.check = self._said = None
        if self.bench is not None and said.kind == "done":
            return await self.bench.reply(check, snapshot)
        return said

    async def act(self, check: NextCheck) -> None:
        """The person has done it."""
        if self.bench is not None:
            await self.bench.act(check)

    async def prepare(self, test: str) -> None:
        """The person has done it: the step said what to join."""
        if self.bench is not None:
            await self.bench.prepare(test)

    async def restore(self, test: str) -> None:
        """The next step says what it needs."""
        if self.bench is not None:
            await self.bench.restore(test)

    async def reset(self, words: str) -> bool:
        """Ask for it."""
        if self.bench is not None:
            return await self.bench.reset(words)
        step = NextCheck("reset", words, 0.2, None, "the chip takes another rate only after a reset", "reset-done")
        return (await self.reply(step, _NOTHING)).kind == "done"

    def say(self, reply: Reply) -> None:
        """What the person says; nothing while nothing is asked."""
        if self._said is not None and not self._said.done():
            self._said.set_result(reply)


class _ScenePort:
    """What is around a simulated board whose port is known only once its process runs."""

    def __init__(self, bench: SimulatedBench, clock: Clock) -> None:
        self._bench = bench
        self._clock = clock

    async def link(self, port: Port) -> Link:
        """A link with these settings, not opened yet. Raises PortTrouble."""
        return await self._ports.link(port)

    async def shows_up(self, usb: tuple[int, int] | None, within_s: float) -> tuple[bool, str]:
        """It is there."""
        return await self._ports.shows_up(usb, within_s)

    @property
    def _ports(self) -> SystemPorts:
        return SystemPorts(self._bench.port, self._clock, _STANDS_IN)


class PlanSource:
    """One plan on one port. `record` is a capture to write; `hands` stand in for the person's in tests.

    `another` makes the source for the board with the next number.

    `scene` starts a simulated board first; `port` is then only what it is called. `keeper` puts the session into a
    notebook once it is closed; `kept` says what became of it.
    """

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
        scene: str | None = None,
        keeper: Keeper | None = None,
        another: Callable[[str], PlanSource] | None = None,
    ) -> None:
        """Raises UsageTrouble for a stage that the plan does not have, PortTrouble for an address that is no port's,
        InputTrouble for a record that cannot be written."""
        self.plan = plan
        self.port = port
        self.serial = serial
        self.another = another
        self.keeper = keeper
        self.kept: Kept | None = None
        self.bridge = Bridge(Fold(None if keeper is None else keeper.priors))
        self.keys = KeyHands()
        self.record_trouble: WakelineError | None = None
        self._scene = scene
        self._bench: SimulatedBench | None = None
        self._record_path = record or ""
        clock = MonotonicClock()
        settings = settings_for(port, plan.loader)
        simulated = True if scene is not None else is_simulated(port)
        self.session = Session(
            make_link(settings, clock),
            protocols.load(plan.family),
            clock=clock,
            sinks=[self.bridge.event],
            adapt=simulated_adapter,
            simulated=simulated,
        )
        around: Around = SystemPorts(port, clock, _stands_in(port))
        if scene is not None:
            from console.bench.client import SimulatedBench
            from console.commands.board_hands import BoardBenchHands

            self._bench = SimulatedBench()
            around = _ScenePort(self._bench, clock)
            self.keys.bench = BoardBenchHands(self._bench, plan, lambda words: None)
        self._bringup = Bringup(
            plan,
            self.session,
            self.bridge.fold,
            hands or self.keys,
            around,
            serial=serial,
            start_at=start_at,
            past=None if keeper is None else keeper.past,
            simulated=simulated,
        )
        self._recorder = self._record(record, overwrite) if record else None
        self._task: asyncio.Task[object] | None = None

    @property
    def plays(self) -> bool:
        """Whether Enter has the simulated bench's hands do the step."""
        return self.keys.bench is not None

    @property
    def busy(self) -> bool:
        """Whether leaving now would cut the plan off."""
        return self._task is not None and not self._task.done()

    @property
    def cuts_off(self) -> str:
        """What closing it now would cut off, in words; "" if nothing."""
        return "the plan still runs" if self.busy else "a record still runs" if self.recording else ""

    @property
    def loses(self) -> str:
        """What closing it would lose, in words; "" if nothing."""
        recorded = self._recorder is not None
        return "" if recorded or self.bridge.fold.snapshot().bringup is None else "this session is not recorded"

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
        """Carry the plan out, on a simulated board that is started for it. Raises WakelineError."""
        self._task = asyncio.ensure_future(self._carried_out())
        try:
            await asyncio.shield(self._task)  # a screen that goes away must not cut a write off: `close` ends it
        finally:
            self.bridge.stir()

    async def _carried_out(self) -> None:
        if self._bench is not None:
            await self._bench.start(scene=self._scene)
            await self._bench.act("power-off")
        await self._bringup.run()

    def stop(self) -> None:
        """End what runs over the port, at a block's border while something is written; else leave the plan."""
        if self.session.busy:
            self._bringup.stop()
        else:
            self.keys.say(Reply("stop"))

    async def close(self) -> None:
        """End the plan, close port, record and simulated board, and keep the session in the notebook."""
        if self._task is not None and not self._task.done():
            if self.session.busy:  # what is written ends at a block's border, so that the record says what is proven
                self._bringup.stop()
                await asyncio.wait([self._task], timeout=SETTLE_S)
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)  # the record says what it was
        self.bridge.close()
        try:
            await self.session.close()
        finally:
            if self._recorder is not None:
                self._recorder.close()
            if self._bench is not None:
                await asyncio.shield(self._bench.stop())
        keeper, self.keeper = self.keeper, None  # closed once, kept once
        if keeper is not None:
            snapshot = self.bridge.fold.snapshot()
            self.kept = await in_thread(lambda: keeper.keep(snapshot, capture=self._record_path))

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


def scene_source(scene: Scene, keeper: Keeper | None = None) -> PlanSource:
    """The whole-board story of this scene: its board's plan, played with Enter. Raises InputTrouble."""
    from console.boards.board_file import load_board

    words = f"the simulated board {scene.name}"
    return PlanSource(load_board(scene.board), words, serial=scene.name, scene=scene.name, keeper=keeper)


def _stands_in(port: str) -> str:
    from console.bench import control

    return _STANDS_IN if control.find(port) is not None else ""
