"""A staged board in this process and in time that jumps: whole diagnoses in milliseconds, nothing waits.

Here is the only place where the bench's operator and diagnosis' proposals meet, as a person at the screen joins them.
"""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import protocols
from console.bench import hands, oracle
from console.bench.board import Board
from console.bench.setup import Setup
from console.causes.rank import NextCheck
from console.errors import Outcome
from console.link.base import LinkSettings, OpenReport, Receiver
from console.session.session import Session
from console.snapshot import Fold
from protocols.uart import EIGHT_E_ONE, Frame

T = TypeVar("T")
_TRIES = 6


class _Jump(selectors.SelectSelector):
    """Instead of waiting, time goes on."""

    now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            raise RuntimeError("nothing is left to happen")
        self.now_s += max(0.0, timeout)
        return super().select(0)


class JumpingLoop(asyncio.SelectorEventLoop):
    """An event loop whose time jumps to the next thing that is due."""

    def __init__(self) -> None:
        self._jump = _Jump()
        super().__init__(self._jump)

    def time(self) -> float:
        return self._jump.now_s

    def now_ns(self) -> int:
        return 1_700_000_000_000_000_000 + round(self._jump.now_s * 1e9)


def in_jumping_time(story: Callable[[JumpingLoop], Coroutine[Any, Any, T]]) -> T:
    loop = JumpingLoop()
    try:
        return loop.run_until_complete(story(loop))
    finally:
        loop.close()


class BoardLink:
    """A link whose other end is a `Board`."""

    def __init__(self, board: Board, loop: JumpingLoop, settings: LinkSettings) -> None:
        self.settings, self.board = settings, board
        self._loop = loop
        self._receiver: Receiver | None = None

    async def open(self, receiver: Receiver) -> OpenReport:
        self._receiver = receiver
        self.board.baud = float(self.settings.baud)
        self.board.set_frame(self.settings.frame)
        self.board.opened(self._loop.time())
        self.stir()
        return OpenReport(EIGHT_E_ONE, "not available", None, None, 0.0)

    def write(self, data: bytes) -> None:
        self.board.host_writes(data, self._loop.time())
        self.stir()

    def stir(self) -> None:
        due = self.board.next_s()
        if due is not None and self._receiver is not None:
            self._loop.call_at(due, self._deliver)

    def _deliver(self) -> None:
        data = self.board.due(self._loop.time())
        if data and self._receiver is not None:
            self._receiver.data_in(data, self._loop.now_ns())
        if data:
            self.stir()

    async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
        return False

    async def close(self) -> None:
        self._receiver = None


@dataclass(frozen=True, slots=True)
class Story:
    """How a diagnosis went: each step with what it gave, and the end."""

    outcome: Outcome
    steps: tuple[tuple[str, str], ...]
    first: tuple[str, ...]
    """The causes after the first attempts, most likely first."""
    setup: Setup


class Operator:
    """Follows what the tool proposes, with the bench's own answers."""

    def __init__(self, loop: JumpingLoop, setup: Setup) -> None:
        self.board = Board(setup, 0.0)
        self.fold = Fold()
        self._loop = loop
        self._settings = LinkSettings(port="staged", frame=EIGHT_E_ONE)
        self._steps: list[tuple[str, str]] = []

    async def follow(self, attempts: int = 1, most: int = 60) -> Story:
        """Attempts first, because equal ones may differ; then step by step until it answers or nothing is left."""
        await self._reopen(self._settings.frame, self._settings.baud)
        outcome = Outcome.NO_ANSWER
        for _ in range(attempts):
            outcome = await self._session.handshake(listen_s=0.1)
        first = tuple(cause.id for cause in self.fold.snapshot().causes)
        tries = 0
        while outcome is not Outcome.OK and len(self._steps) < most:
            check = self.fold.snapshot().next_check
            if check is None:
                tries += 1
                if tries > _TRIES:
                    break
                outcome = await self._session.handshake(listen_s=0.1)
            elif check.action or check.repair:
                outcome = await self._done(check)
            else:
                outcome = await self._found(check, outcome)
        await self._session.close()
        return Story(outcome, tuple(self._steps), first, self.board.setup)

    async def _done(self, check: NextCheck) -> Outcome:
        hands.repair(self.board, check.id, self._loop.time())
        self._link.stir()
        self._session.operator(check.action or "repair-done")
        outcome = await self._session.handshake(listen_s=0.1)
        if outcome is not Outcome.OK and check.in_vain and check.action != "swap-done":
            self._session.operator("check", check=check.id, outcome=check.in_vain)
        self._steps.append((check.id, str(outcome)))
        return outcome

    async def _found(self, check: NextCheck, outcome: Outcome) -> Outcome:
        board = self.board
        found = oracle.answer(oracle.Staged(board.setup, board.mode, board.baud, board.frame), check.id).outcome
        assert found in {word for word, _ in check.answers}, f"{check.id} has no outcome {found}"
        if check.id in hands.REPAIRS and found != oracle.IN_VAIN:
            hands.repair(board, check.id, self._loop.time())
            self._link.stir()
        self._session.operator("check", check=check.id, outcome=found)
        self._steps.append((check.id, found))
        if check.id == "K17" and found != oracle.IN_VAIN:  # the console's own side: other settings
            board.reset(self._loop.time())
            frame = Frame.parse("8N1") if found == "other-frame" else self._settings.frame
            await self._session.close()
            await self._reopen(frame, 57600 if found == "lower-rate" else self._settings.baud)
            return await self._session.handshake(listen_s=0.1)
        return outcome

    async def _reopen(self, frame: Frame, baud: int) -> None:
        settings = replace(self._settings, frame=frame, baud=baud)
        self._link = BoardLink(self.board, self._loop, settings)
        family = protocols.load("an3155")
        self._session = Session(self._link, family, clock=self._loop, sinks=[self.fold.add])
        await self._session.open()


def follow(setup: Setup, attempts: int = 1) -> Story:
    """The whole story of one staged board."""
    return in_jumping_time(lambda loop: Operator(loop, setup).follow(attempts))
