"""What the bench screen works on: a live port, a simulated board, or a capture. Knows no widget."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import protocols
from console import operating
from console.causes.rank import NextCheck
from console.clock import Clock, MonotonicClock
from console.errors import Outcome, WakelineError
from console.events import Event, Mark, MarkKind
from console.link.base import Link, LinkSettings
from console.screens.bridge import Bridge
from console.screens.capture_source import CaptureSource
from console.screens.files import fresh_path
from console.screens.in_thread import in_thread
from console.session import line_tests
from console.session.session import DEFAULT_LISTEN_S, Session
from console.snapshot import DEFAULT_FAMILY, Fold, Snapshot
from console.text import clean

if TYPE_CHECKING:
    from console.bench.client import SimulatedBench
    from console.commands.hands import BenchHands
    from console.notebook.keeper import Keeper, Kept
    from console.record.recorder import Recorder
    from console.screens.chip_task import ChipTask

LISTEN_S: Final = 5.0
SETTLE_S: Final = 3.0  # some blocks at the usual rate; an erase of everything is not waited for
# what the simulated board's hands do when a key says that something was done
BENCH_ACTS: Final = {"swap-done": "swap-wires", "reset-done": "reset"}


class _Asked:
    """Hands of a person in front of the screens: what a test needs was asked for before it."""

    def __init__(self, ask: line_tests.Hands) -> None:
        self._ask = ask

    async def prepare(self, test: str) -> None:
        """The person has done it."""

    async def restore(self, test: str) -> None:
        """The next proposal says what it needs."""

    async def reset(self, words: str) -> bool:
        """Ask."""
        return await self._ask(words)


class LiveSource:
    """A port, real or simulated: one session, opened again after a loss, into one fold.

    `family` is the protocol it speaks, None for the usual one. `scene` starts a simulated board first;
    `settings.port` is then ignored. `make` stands in for `make_link`; `listen_s` is how long a handshake listens
    first, in seconds. `keeper` puts the session into a notebook once it is closed; `kept` says what became of it.
    """

    def __init__(
        self,
        settings: LinkSettings,
        *,
        family: str | None = None,
        scene: str | None = None,
        make: Callable[[LinkSettings, Clock], Link] | None = None,
        listen_s: float = DEFAULT_LISTEN_S,
        keeper: Keeper | None = None,
    ) -> None:
        self.settings = settings
        self.family = family or DEFAULT_FAMILY
        self.keeper = keeper
        self.kept: Kept | None = None
        self.scene = scene
        self.listen_s = listen_s
        self.bridge = Bridge(Fold(None if keeper is None else keeper.priors))
        self.loading = False
        self.bench: SimulatedBench | None = None
        self.session: Session | None = None
        self.record_path: Path | None = None
        self.record_trouble: WakelineError | None = None
        self._recorder: Recorder | None = None
        self._make = make
        self._clock = MonotonicClock()
        self._heads: dict[MarkKind, Mark] = {}
        self._opening = asyncio.Lock()
        self._testing = False  # also between the attempts of a test, when the port may have another rate
        self._before: Session | None = None  # what the next one goes on from
        self._said: set[str] = set()
        self._news: list[str] = []
        self.task: ChipTask | None = None
        self._task: asyncio.Task[None] | None = None

    @property
    def busy(self) -> bool:
        """Whether an attempt, a test of the line or a task on the chip runs; a task also while a person is asked."""
        return self.working or self._testing or (self.session is not None and self.session.busy)

    @property
    def working(self) -> bool:
        """Whether a task on the chip runs."""
        return self.task is not None and self.task.running

    @property
    def cuts_off(self) -> str:
        """What closing it now would cut off, in words; "" if nothing."""
        if self.working:
            return "the chip is being worked on; leaving stops it at the next block, and you can go on later"
        return "an attempt still runs" if self.busy else "a record still runs" if self.recording else ""

    @property
    def loses(self) -> str:
        """What closing it would lose, in words; "" if nothing."""
        recorded = self.record_path is not None
        return "this session is not recorded" if self.bridge.fold.snapshot().attempt and not recorded else ""

    @property
    def title(self) -> str:
        """What is open, in words."""
        what = f"simulated board, scene {clean(self.scene)}" if self.scene else clean(self.settings.port)
        return f"{what}, board {self.board}" if self.board else what

    @property
    def board(self) -> str:
        """The board's name for the notebook; "" if nobody said."""
        return self.keeper.board if self.keeper is not None else ""

    @property
    def name(self) -> str:
        """A short name for files."""
        return self.board or self.scene or self.settings.port.removeprefix("/dev/")

    async def start(self) -> None:
        """Start the simulated board if one is wanted, and open. Raises WakelineError."""
        if self.scene is not None and self.bench is None:
            from console.bench.client import SimulatedBench

            self.bench = SimulatedBench()
            await self.bench.start(scene=self.scene)
            self.settings = LinkSettings(port=self.bench.port)
        await self.ready()

    async def ready(self) -> Session:
        """The open session; opens it again when the port was lost. Raises PortTrouble."""
        async with self._opening:
            if self.session is not None and self.session.lost is None:
                return self.session
            if self.session is not None:
                await self.session.link.close()
                self._before, self.settings = self.session, self.session.link.settings
            self.session = None
            make, adapt = self._make, None
            simulated = True if self.scene is not None else None
            if make is None:
                from console.commands.attempt import is_simulated, simulated_adapter
                from console.link import make_link

                make, adapt = make_link, simulated_adapter
                simulated = is_simulated(self.settings.port)
            session = Session(
                make(self.settings, self._clock),
                protocols.load(self.family),
                clock=self._clock,
                sinks=[self._take],
                adapt=adapt,
                after=self._before,
                simulated=simulated,
            )
            await session.open()
            self.session = session
            return session

    async def handshake(self) -> Outcome:
        """One attempt. Raises PortTrouble when the port cannot be opened (again)."""
        outcome = await (await self.ready()).handshake(self.listen_s)
        await self._remember()
        return outcome

    async def tried(self, check: NextCheck) -> None:
        """The operator made the change that `check` asks for: repeat the attempt, and let its result count."""
        session = await self.ready()
        if (hands := self._bench_hands()) is not None:
            await hands.act(check)
        await operating.change(session, check, self.listen_s)
        await self._remember()

    async def played(self, check: NextCheck, snapshot: Snapshot) -> None:
        """The hands of the simulated board do the check and say what it showed. Raises WakelineError."""
        hands = self._bench_hands()
        if hands is None:
            return
        async with line_tests.stimulated(await self.ready(), check.stimulus, hands.reset):
            reply = await hands.reply(check, snapshot)
        if reply.kind == "found":
            await self.found(check, reply)
        elif check.id in line_tests.CHECKS:
            await self.line_test(line_tests.CHECKS[check.id], hands.reset)
        else:
            await self.tried(check)

    async def found(self, check: NextCheck, reply: operating.Reply) -> None:
        """The operator did a check and says what it showed; where that is a cure, an attempt proves it."""
        if await operating.answer(await self.ready(), check, reply, self.listen_s) is not None:
            await self._remember()

    def told(self, reply: operating.Reply, check: NextCheck | None = None) -> None:
        """The operator skips the check, takes an answer back, notes something or says what is at hand."""
        if self.session is not None:
            operating.tell(self.session, check, reply)

    @contextlib.asynccontextmanager
    async def stimulated(self, check: NextCheck, ask: line_tests.Hands) -> AsyncIterator[None]:
        """While it runs, the console sends what the check is measured with, if anything. Raises PortTrouble."""
        hands = self._bench_hands() or _Asked(ask)
        async with line_tests.stimulated(await self.ready(), check.stimulus, hands.reset):
            yield

    async def listen(self) -> None:
        """Listen for five seconds."""
        await (await self.ready()).listen(LISTEN_S)

    async def line_test(self, name: str, ask: line_tests.Hands) -> None:
        """Run a test of the line (`line_tests.TESTS`); `ask` asks a person to reset the board where that is wanted.

        The hands of a simulated board do by themselves what the test needs. Raises PortTrouble.
        """
        session = await self.ready()
        self._testing = True
        try:
            spoken = await operating.line_test(session, name, self._bench_hands() or _Asked(ask))
        finally:
            self._testing = False
        if spoken is not None:
            await self._remember()

    async def reset(self) -> bool:
        """Reset over the adapter's lines, or on the simulated board; False: a person has to do it."""
        session = await self.ready()
        if await session.reset():
            return True
        if await self._act("reset-done"):
            session.operator("reset-done")
            return True
        return False

    async def done(self, action: str) -> None:
        """The operator did `action` (for example "swap-done"); a simulated board's wires follow."""
        session = await self.ready()
        await self._act(action)
        session.operator(action)

    def work(self, task: ChipTask) -> None:
        """Begin a task on the chip, which goes on whatever is shown meanwhile. Only where nothing runs."""
        self._begin(task, task.run)

    def start_program(self) -> None:
        """Let the program that the last task wrote run."""
        if self.task is not None and self.task.startable:
            self._begin(self.task, self.task.start_program)

    def _begin(self, task: ChipTask, act: Callable[[Session], Awaitable[None]]) -> None:
        assert not self.busy
        self.task, task.running = task, True

        async def whole() -> None:
            try:
                await act(await self.ready())
            except WakelineError as error:  # the port could not be opened again
                task.trouble = error
            finally:
                task.running = False
                self.bridge.stir()

        self._task = asyncio.create_task(whole())

    def stop(self) -> None:
        """Stop what runs: a task on the chip at the next block's border, an attempt at once."""
        if self.session is None:
            return
        if self.working and self.task is not None:
            self.task.stop(self.session, self.bridge.fold.snapshot().running_stage is not None)
        else:
            self.session.cancel()

    @property
    def recording(self) -> bool:
        """Whether a capture file grows."""
        return self._recorder is not None and self._recorder.running

    def record_on(self) -> Path:
        """Begin a capture in the working folder; returns where. Raises InputTrouble."""
        from console.record.recorder import Recorder

        path = fresh_path("capture", self.name, ".pcapng")
        recorder = Recorder(path, port=self.settings.port, baud=self.settings.baud, trouble=self._record_failed)
        self._recorder, self.record_path, self.record_trouble = recorder, path, None
        for kind in (MarkKind.SETTINGS, MarkKind.ATTEMPT):  # a record that begins late still says what it is of
            head = self._heads.get(kind)
            if head is not None:
                recorder.event(Mark(self._clock.now_ns(), kind, head.fields))
        return path

    def record_off(self) -> Path | None:
        """End the capture; returns where it is."""
        recorder, self._recorder = self._recorder, None
        if recorder is not None:
            recorder.event(Mark(self._clock.now_ns(), MarkKind.END))
            recorder.close()
        return self.record_path

    async def close(self) -> None:
        """Close port, record and simulated board; whatever fails, the rest is closed too."""
        self.bridge.close()
        try:
            await self._settled()
            if self.session is not None:
                await self.session.close()
        finally:
            self.record_off()
            if self.bench is not None:
                await self.bench.stop()
                self.bench = None
            keeper, self.keeper = self.keeper, None  # closed once, kept once
            if keeper is not None:
                snapshot, capture = self.bridge.fold.snapshot(), str(self.record_path or "")
                self.kept = await in_thread(lambda: keeper.keep(snapshot, capture=capture))

    def take_news(self) -> str:
        """What the notebook knew of the latest failure, once; "" if nothing new."""
        news, self._news = self._news, []
        return "\n".join(news)

    async def _remember(self) -> None:
        """Note what fixed boards that failed like this one; each thing is said once."""
        if self.keeper is None:
            return
        keeper, snapshot = self.keeper, self.bridge.fold.snapshot()
        known = await in_thread(lambda: keeper.experience(snapshot))
        for text in known:
            if text not in self._said:
                self._said.add(text)
                self._news.append(text)
                self._take(Mark(self._clock.now_ns(), MarkKind.NOTE, {"text": text}))

    async def _settled(self) -> None:
        """A task on the chip ends at the next block's border, so that the record says what is proven; else at once."""
        if self._task is None or self._task.done():
            return
        self.stop()
        await asyncio.wait([self._task], timeout=SETTLE_S)
        self._task.cancel()
        await asyncio.wait([self._task])

    def _bench_hands(self) -> BenchHands | None:
        """The hands of the simulated board behind the port, whoever started it."""
        from console.bench import control
        from console.commands.hands import BenchHands

        entry = control.find(self.settings.port)
        return None if entry is None else BenchHands(partial(control.act, entry), lambda words: None)

    async def _act(self, action: str) -> bool:
        from console.bench import control

        entry = control.find(self.settings.port)
        if entry is None or action not in BENCH_ACTS:
            return False
        await control.act(entry, BENCH_ACTS[action])
        return True

    def _take(self, event: Event) -> None:
        if isinstance(event, Mark):
            self._heads[event.kind] = event
        if self._recorder is not None:
            self._recorder.event(event)
        self.bridge.event(event)

    def _record_failed(self, trouble: WakelineError) -> None:
        self.record_trouble = trouble  # told with the next picture


Source = LiveSource | CaptureSource


def scene_title(scene: str) -> str:
    """The story of a scene of the simulated bench in one line."""
    from console.bench.scenes import scenes

    return next((clean(one.title) for one in scenes() if one.name == scene), clean(scene))
