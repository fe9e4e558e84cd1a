"""The only door from screens and commands to a port.

A session emits events to its sinks (fold, record, live text) and keeps no other memory: whatever a screen shows comes
from those events, so a capture shows the same. Marks are written before the thing they announce and after it ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import replace
from typing import TypeVar

from console.clock import Clock
from console.errors import Outcome, PortTrouble, Stopped, WakelineError
from console.events import Chunk, Mark, MarkKind, Value
from console.link.base import Link, LinkSettings, OpenReport
from console.link.wake import run_wake
from console.session.announcement import announcement
from console.session.drive import Drive, Pace
from console.session.ear import Busy, Ear
from console.session.emitter import Emitter, Sink
from console.session.outcome import Judge, failure_fields, outcome_of
from console.session.stage import IDENTIFY, LISTEN, SYNC
from console.words import count_of
from protocols.conversation import Conversation
from protocols.errors import ProtocolError
from protocols.family import Family, Identity, SyncResult
from protocols.uart import Frame

T = TypeVar("T")
DEFAULT_LISTEN_S = 0.25


class Session:
    """One port, opened once, any number of attempts.

    `adapt` is told the settings before the port takes them (a simulated adapter cannot see all of them). `after` is the
    session on the same board before the port was lost: attempts go on counting, and swapped wires stay swapped.
    `simulated` says whether the board is a real one, where that is known: a record shall tell.
    After `cancel`, a lost link or a failed stage the target's state is unknown: reset it before relying on it.
    """

    def __init__(
        self,
        link: Link,
        family: Family,
        *,
        clock: Clock,
        sinks: Sequence[Sink] = (),
        adapt: Callable[[LinkSettings], Awaitable[None]] | None = None,
        after: Session | None = None,
        simulated: bool | None = None,
    ) -> None:
        self.link = link
        self.family = family
        self.identity: Identity | None = None
        """What the target said in the last handshake that succeeded."""
        self._clock = clock
        self._events = Emitter(sinks)
        self._drive: Drive[object] | None = None
        self._pause: asyncio.Future[None] | None = None
        self._pace = Pace(family.frame.char_s(link.settings.baud), 0.05)
        self._adapt = adapt
        self._simulated = simulated
        self._attempt: int = 0 if after is None else after._attempt
        self._swapped: bool = False if after is None else after._swapped
        self._half: bool = False if after is None else after._half  # the chip may wait for the rest of a command
        self._lost: PortTrouble | None = None
        self._busy = False
        self._ended = False
        self._speaks: str | None = None
        self._noted: set[str] = set()

    def add_sink(self, sink: Sink) -> None:
        """From now on, also give events to `sink`."""
        self._events.add(sink)

    def remove_sink(self, sink: Sink) -> None:
        """Stop giving events to `sink`; unknown sinks are ignored."""
        self._events.remove(sink)

    @property
    def busy(self) -> bool:
        """Whether an attempt, a listening or a reset runs now."""
        return self._busy

    @property
    def lost(self) -> PortTrouble | None:
        """Why the link is gone, if it is."""
        return self._lost

    async def open(self) -> OpenReport:
        """Open the port and announce its settings. Raises PortTrouble, after recording it."""
        try:
            if self._adapt is not None:
                await self._adapt(self.link.settings)
            report = await self.link.open(Ear(self._heard, self._events.emit, self._gone))
        except PortTrouble as trouble:
            self._announce(None)
            self.trouble(trouble)
            raise
        self._take(report)
        return report

    async def handshake(
        self, listen_s: float = DEFAULT_LISTEN_S, sync: Conversation[SyncResult] | None = None
    ) -> Outcome:
        """One attempt: wake lines if wired, then listen, sync, identify. Returns how it ended.

        `listen_s` is how long to listen before anything is sent, in seconds (0 skips nothing but the waiting);
        `sync` takes the place of the family's own, unless the wake lines have just reset the board.
        """
        async with self.attempt():
            self.identity = None
            try:
                if await self._wake():
                    self._half, sync = False, None
                await self.hear(LISTEN, listen_s)
                await self.stage(SYNC, self._own_sync() if sync is None else sync)
                self._half = False
                self.identity = await self.stage(IDENTIFY, self.family.identify())
            except (ProtocolError, PortTrouble, Stopped) as error:
                return outcome_of(error)
            return Outcome.OK

    def _own_sync(self) -> Conversation[SyncResult]:
        """The family's sync; a harmless one where a conversation was cut off and the board not reset since."""
        if self._half and self.family.programmer is not None:
            return self.family.programmer(Identity()).sync()
        return self.family.sync()

    async def listen(self, seconds: float) -> None:
        """Only listen for `seconds`; nothing is sent."""
        async with self.attempt():
            try:
                await self.hear(LISTEN, seconds)
            except (PortTrouble, Stopped):
                return

    async def converse(self, name: str, conversation: Conversation[T], judge: Judge[T] | None = None) -> T:
        """Run one conversation as a stage of its own. Raises ProtocolError, PortTrouble, Stopped, and whatever
        WakelineError the conversation itself raises."""
        async with Busy(self):
            self._half = True
            result = await self.stage(name, conversation, judge=judge)
            self._half = False
            return result

    @contextlib.asynccontextmanager
    async def attempt(self) -> AsyncIterator[None]:
        """An attempt of the caller's own making, out of `stage`, `hear` and `tune`; nothing else runs meanwhile."""
        async with Busy(self):
            self._attempt += 1
            self._mark(MarkKind.ATTEMPT, n=self._attempt, wires="swapped" if self._swapped else "as-built")
            yield

    async def tune(self, baud: int, frame: Frame, speaks: str | None = None) -> OpenReport:
        """Change rate and frame on the open port and announce it. Raises PortTrouble; then the former ones stay.

        `speaks` names what is spoken from now on where it is not the boot protocol.
        """
        if self._adapt is not None:
            await self._adapt(replace(self.link.settings, baud=baud, frame=frame))
        report = await self.link.retune(baud, frame)
        self._speaks = speaks
        self._take(report, retuned=True)
        return report

    def found(self, test: str, message: str, **fields: Value) -> None:
        """Record what a test of the console's own showed; with `check` and `outcome` it answers that check, `given`
        where that was known before; `missing` is what of a usual bench this board has not."""
        self._mark(MarkKind.FINDING, test=test, message=message, **fields)

    async def reset(self) -> bool:
        """Reset the board over its wake lines; False where no line is configured or the port has none."""
        async with Busy(self):
            done = await self._wake()
            self._half = self._half and not done
            return done

    def operator(self, action: str, **fields: Value) -> None:
        """Record what the operator did. "swap-done" changes the configuration of what follows."""
        if action == "swap-done":
            self._swapped = not self._swapped
        elif action == "reset-done":
            self._half = False
        self._mark(MarkKind.OPERATOR, action=action, **fields)

    def stopped(self) -> None:
        """Record that the person did not want to go on, between attempts."""
        self._mark(MarkKind.STOPPED)

    def cancel(self) -> None:
        """Stop the running attempt; it returns `stopped`."""
        stop = Stopped("stopped", "stopped by the user", help="start again when ready")
        if self._drive is not None:
            self._drive.fail(stop)
        if self._pause is not None and not self._pause.done():
            self._pause.set_exception(stop)

    async def rest(self) -> None:
        """Close the port and go on without it: the board is about to be unplugged. `change` opens the next one."""
        await self.link.close()

    async def change(self, link: Link) -> OpenReport:
        """Go on over another link to the same board: its port is back. Nothing may run meanwhile.

        Raises PortTrouble, after recording it.
        """
        async with Busy(self):
            await self.link.close()
            self.link, self._lost, self._speaks = link, None, None
            return await self.open()

    async def close(self) -> None:
        """Close the port and end the record; may be called twice."""
        try:
            await self.link.close()
        finally:
            if not self._ended:
                self._ended = True
                self._mark(MarkKind.END)

    async def __aenter__(self) -> Session:
        await self.open()
        return self

    async def __aexit__(self, *exc: object) -> None:
        await asyncio.shield(self.close())

    def _heard(self, data: bytes, t_ns: int) -> None:
        """Let the conversation answer first: fold and record work while the line does."""
        self._events.hold()
        free_s = math.inf
        try:
            self._events.emit(Chunk(t_ns, "in", data))
            if self._drive is not None:
                self._drive.feed(data)
                free_s = self._drive.free_s()
        finally:
            self._events.release(free_s)

    def _gone(self, error: PortTrouble) -> None:
        self._lost = error
        self._mark(MarkKind.LINK_LOST, message=error.message, help=error.help, where=error.where)
        if self._drive is not None:
            self._drive.fail(error)
        if self._pause is not None and not self._pause.done():
            self._pause.set_exception(error)

    def mark(self, kind: MarkKind, **fields: Value) -> None:
        """Record what whoever uses the session knows beside the bytes: a plan, a proof, a note."""
        self._mark(kind, **fields)

    def trouble(self, error: WakelineError) -> None:
        """Record why the run ended here: the port could not be used, or something else forbids to go on."""
        self._mark(MarkKind.ERROR, code=error.code, message=error.message, help=error.help, outcome=error.outcome)

    def _announce(self, report: OpenReport | None, *, retuned: bool = False) -> None:
        speaks = self._speaks or self.family.name
        fields = announcement(self.link.settings, report, speaks=speaks, simulated=self._simulated, retuned=retuned)
        self._mark(MarkKind.SETTINGS, **fields)

    async def _wake(self) -> bool:
        wake = self.link.settings.wake
        if wake.reset is None and wake.strap is None:
            return False
        done = await run_wake(self.link, wake)
        self._mark(
            MarkKind.NOTE,
            text="board reset into its loader over the adapter's control lines"
            if done
            else "this port has no control lines: reset the board by hand",
        )
        return done

    async def hear(self, name: str, seconds: float, *, test: bool = False) -> None:
        """Within an attempt: a stage that only listens for `seconds`. Raises PortTrouble or Stopped."""
        self._begin(name, test)
        self._pause = asyncio.get_running_loop().create_future()
        try:
            if self._lost is not None:
                raise self._lost
            async with asyncio.timeout(max(0.0, seconds)):
                await self._pause
        except TimeoutError:
            self._mark(MarkKind.STAGE_END, name=name, outcome=Outcome.OK)
        except BaseException as error:
            self._failed(name, error)
            raise
        finally:
            self._pause = None

    @contextlib.asynccontextmanager
    async def sending(self, byte: int) -> AsyncIterator[None]:
        """Between attempts: `byte` (0..255) goes out without a pause while the block runs, for a person who measures.

        The record says how many there were; they are not listed one by one. Raises PortTrouble.
        """
        name, sent, block = f"sends {byte:02X}", 0, bytes((byte,)) * max(1, round(0.02 / self._pace.char_s))

        async def again() -> None:
            nonlocal sent
            while True:
                self.link.write(block)
                sent += len(block)
                await asyncio.sleep(len(block) * self._pace.char_s)

        async with Busy(self):
            self._mark(MarkKind.STAGE_BEGIN, name=name, test=True, aside=True)
            task = asyncio.create_task(again())
            try:
                yield
            finally:
                task.cancel()
                with contextlib.suppress(asyncio.CancelledError, PortTrouble):  # a lost link is in the record
                    await task
                self._mark(MarkKind.STAGE_END, name=name, outcome=Outcome.OK)
                self.found(name, f"sent {byte:02X} about {sent} times while somebody measured")

    async def stage(
        self, name: str, conversation: Conversation[T], *, test: bool = False, judge: Judge[T] | None = None
    ) -> T:
        """Within an attempt: run one conversation. Raises ProtocolError, PortTrouble or Stopped.

        `test`: its bytes are a test of the line and say nothing about the board. `judge` tells from the result how the
        stage ended and in which words; without it, ending is success.
        """
        self._begin(name, test)
        drive: Drive[T] = Drive(
            conversation,
            write=self._write,
            pace=self._pace,
            loop=asyncio.get_running_loop(),
            # the record and the observer already hold the bytes; the reason is what the conversation adds
            stray=lambda data, why: self._mark(MarkKind.NOTE, text=f"{count_of(len(data), 'stray byte')}: {why}"),
            tell=lambda tell: self._mark(MarkKind(tell.topic), **tell.fields),
        )
        self._drive = drive  # type: ignore[assignment]  # only fed and failed from here, whatever its result is
        try:
            if self._lost is not None:
                raise self._lost
            drive.start()
            result = await drive.result
        except BaseException as error:
            drive.fail(asyncio.CancelledError())
            if drive.result.done() and not drive.result.cancelled():
                drive.result.exception()  # seen: the error travels on by itself
            self._failed(name, error)
            raise
        finally:
            self._drive = None
        hint = "already-synchronised" if isinstance(result, SyncResult) and result.already_synchronised else ""
        outcome, message = judge(result) if judge is not None else (Outcome.OK, "")
        self._mark(MarkKind.STAGE_END, name=name, outcome=outcome, hint=hint, message=message)
        return result

    def _begin(self, name: str, test: bool) -> None:
        self._mark(MarkKind.STAGE_BEGIN, name=name, **({"test": True} if test else {}))

    def _take(self, report: OpenReport, *, retuned: bool = False) -> None:
        settings = self.link.settings
        self._pace = Pace(settings.frame.char_s(settings.baud), report.latency_s)
        self._announce(report, retuned=retuned)
        for note in report.notes:
            if note not in self._noted:  # every change of the rate would say it again
                self._noted.add(note)
                self._mark(MarkKind.NOTE, text=note)

    def _failed(self, name: str, error: BaseException) -> None:
        outcome = outcome_of(error)
        self._mark(MarkKind.STAGE_END, name=name, outcome=outcome, **failure_fields(error))
        if outcome is Outcome.STOPPED:
            self._mark(MarkKind.STOPPED)

    def _write(self, data: bytes) -> None:
        self.link.write(data)
        self._events.emit(Chunk(self._clock.now_ns(), "out", data))

    def _mark(self, kind: MarkKind, **fields: Value) -> None:
        self._events.emit(Mark(self._clock.now_ns(), kind, fields))
