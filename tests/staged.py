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
from console.operating import Reply, walk
from console.session import line_tests
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from protocols.uart import EIGHT_E_ONE, Frame

T = TypeVar("T")


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

    def run_in_executor(self, executor: Any, func: Callable[..., T], *args: Any) -> asyncio.Future[T]:
        """What a thread would do is done at once: time that jumps waits for nobody."""
        done = self.create_future()
        try:
            done.set_result(func(*args))
        except Exception as error:
            done.set_exception(error)
        return done

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

    async def retune(self, baud: int, frame: Frame) -> OpenReport:
        self.settings = replace(self.settings, baud=baud, frame=frame)
        self.board.baud = float(baud)
        self.board.set_frame(frame)
        return OpenReport(EIGHT_E_ONE, "not available", None, None, 0.0)

    async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
        return False

    async def close(self) -> None:
        self._receiver = None


class Hands:
    """The bench's own operator on a board in this process; does what `BenchHands` does from outside."""

    def __init__(self, board: Board, loop: JumpingLoop, stir: Callable[[], None]) -> None:
        self.board = board
        self.steps: list[str] = []
        self.first: tuple[str, ...] = ()
        self._loop = loop
        self._stir = stir

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        if not self.steps:
            self.first = tuple(cause.id for cause in snapshot.causes)
        self.steps.append(check.id)
        if check.change or check.id in line_tests.CHECKS:
            return Reply("done")
        board = self.board
        found = oracle.answer(oracle.Staged(board.setup, board.mode, board.baud, board.frame), check.id).outcome
        assert found in {word for word, _ in check.answers}, f"{check.id} has no outcome {found}"
        if check.id in hands.REPAIRS and found != oracle.IN_VAIN:
            self._repair(check.id)
        return Reply("found", found)

    async def act(self, check: NextCheck) -> None:
        self._repair(check.id)
        if check.repair:
            await self.reset("")

    async def prepare(self, test: str) -> None:
        self._rewire(test, True)

    async def restore(self, test: str) -> None:
        self._rewire(test, False)

    async def reset(self, words: str) -> bool:
        self.board.reset(self._loop.time())
        self._stir()
        return True

    def _repair(self, step: str) -> None:
        hands.repair(self.board, step, self._loop.time())
        self._stir()

    def _rewire(self, test: str, before: bool) -> None:
        wiring = self.board.setup.wiring
        if test in (line_tests.LOOP_BACK, line_tests.FAR_END):
            self.board.rewire(replace(wiring, loop_back=before), self._loop.time())
        elif test == line_tests.ECHO_ALONE:
            self.board.rewire(replace(wiring, connected=not before), self._loop.time())
        self._stir()


@dataclass(frozen=True, slots=True)
class Story:
    """How a diagnosis went: the steps in order, and the end."""

    outcome: Outcome
    steps: tuple[str, ...]
    first: tuple[str, ...]
    """The causes after the first attempt, most likely first."""
    last: tuple[str, ...]
    """What it was, at the end."""
    setup: Setup


async def _follow(loop: JumpingLoop, setup: Setup) -> Story:
    fold = Fold()
    board = Board(setup, 0.0)
    link = BoardLink(board, loop, LinkSettings(port="staged", frame=EIGHT_E_ONE))
    operator = Hands(board, loop, link.stir)
    session = Session(link, protocols.load("an3155"), clock=loop, sinks=[fold.add])
    async with session:
        outcome = await walk(session, fold, operator, lambda snapshot, attempted: None, listen_s=0.1)
    last = tuple(cause.id for cause in fold.snapshot().causes)
    return Story(outcome, tuple(operator.steps), operator.first or last, last, board.setup)


def follow(setup: Setup) -> Story:
    """The whole story of one staged board."""
    return in_jumping_time(lambda loop: _follow(loop, setup))
