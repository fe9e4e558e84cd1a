"""A plan carried out on a staged board in this process, in time that jumps; the operator tells the truth.

Here alone do the plan's questions and the bench's answers meet.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import protocols
from console.bench.board import Board
from console.bench.hands import REPAIRS, exchange, repair
from console.bench.scenes import setup_for
from console.boards.board_file import load_board
from console.boards.limits import GOOD
from console.boards.past import Past
from console.boards.plan import Plan, Port, Work
from console.boards.splits import OHMS, VOLTS
from console.bringup import asking
from console.bringup.around import settings_for
from console.bringup.fold import BringupState
from console.bringup.run import Bringup
from console.causes.rank import NextCheck
from console.errors import Outcome, WakelineError
from console.events import Event, Mark
from console.link.base import Link, OpenReport, Receiver
from console.operating import Reply
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from protocols.uart import Frame
from tests.staged import BoardLink, JumpingLoop, in_jumping_time

TERN = load_board("tern-b")


class Hands:
    """The operator: what `says` names is said once, all else is as the board shows it."""

    def __init__(self, loop: JumpingLoop, board: Board, plan: Plan, says: Mapping[str, list[Reply]]) -> None:
        self.asked: list[str] = []
        self.checks: list[NextCheck] = []
        self._loop, self._board, self._plan = loop, board, plan
        self._says = {key: list(replies) for key, replies in says.items()}

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        state = snapshot.bringup
        assert state is not None
        self.asked.append(check.id)
        self.checks.append(check)
        if self._says.get(check.id):
            return self._says[check.id].pop(0)
        stage = next((one for one in self._plan.stages if one.id == check.id), None)
        if stage is not None and stage.limits is not None:
            ends = (stage.limits.least, stage.limits.most)
            value = sum(ends) / 2 if math.isfinite(sum(ends)) else math.inf
            return Reply("found", GOOD, value, stage.limits.unit)
        if stage is not None:
            return Reply("found", asking.YES if stage.work is Work.CONFIRM else GOOD)
        if check.change:
            return Reply("done")
        if check.id == asking.PROGRAM_MISSING:
            return Reply("found", asking.WRITE)
        if check.id.split()[0] in (VOLTS, OHMS):
            loose = set(check.id.split()[2:]) & set(self._board.setup.joints.opens)
            return Reply("found", asking.NO if loose else asking.YES)
        before = self._board.setup
        for place in check.id.split()[1:]:
            if "." in place:
                self._board.mend(self._board.setup.joints.mended(place), self._loop.time())
            else:
                exchange(self._board, place, self._loop.time())
        return Reply("found", asking.FINE if self._board.setup == before else asking.MENDED)

    async def prepare(self, test: str) -> None:
        raise AssertionError("no test of the line in these stories")

    async def restore(self, test: str) -> None:
        raise AssertionError("no test of the line in these stories")

    async def reset(self, words: str) -> bool:
        return False

    async def act(self, check: NextCheck) -> None:
        now, wiring = self._loop.time(), self._board.setup.wiring
        match check.id:
            case asking.POWER_ON | asking.POWER_DOWN:
                self._board.rewire(replace(wiring, powered=check.id == asking.POWER_ON), now)
            case asking.INTO_LOADER:
                self._board.strap(True)
                self._board.reset(now)
            case step if step in REPAIRS:
                repair(self._board, step, now)


@dataclass(frozen=True, slots=True)
class Story:
    """How it went."""

    outcome: Outcome | None
    state: BringupState
    events: list[Event]
    hands: Hands
    snapshot: Snapshot
    error: WakelineError | None = None
    states: list[BringupState] = field(default_factory=list)

    def runs(self, stage: str) -> int:
        found = self.state.stage(stage)
        assert found is not None
        return found.runs


class StagedLink(BoardLink):
    """What came while nobody had the port open is lost, as with a real adapter."""

    async def open(self, receiver: Receiver) -> OpenReport:
        self.board.closed()
        return await super().open(receiver)

    async def retune(self, baud: int, frame: Frame) -> OpenReport:
        self.settings = replace(self.settings, baud=baud, frame=frame)
        self.board.baud = float(baud)
        self.board.set_frame(frame)
        return OpenReport(frame, "not available", None, None, 0.0)


class _Around:
    def __init__(self, loop: JumpingLoop, board: Board, there: tuple[bool, str]) -> None:
        self._loop, self._board, self._there = loop, board, there

    async def link(self, port: Port) -> Link:
        return StagedLink(self._board, self._loop, settings_for("staged", port))

    async def shows_up(self, usb: tuple[int, int] | None, within_s: float) -> tuple[bool, str]:
        return self._there


def bring_up(
    *faults: str,
    plan: Plan = TERN,
    says: Mapping[str, list[Reply]] | None = None,
    start_at: str | None = None,
    there: tuple[bool, str] = (True, "it is there"),
    serial: str = "7",
    past: Past | None = None,
    product: str | None = None,
) -> Story:
    """The whole story of a board with these faults; `product` is a chip of the bench in place of the design's."""

    async def story(loop: JumpingLoop) -> Story:
        setup = setup_for(None, faults)
        board = Board(setup if product is None else replace(setup, product=product), 0.0)
        board.rewire(replace(board.setup.wiring, powered=False), 0.0)
        fold, events, states = Fold(), [], []
        hands = Hands(loop, board, plan, says or {})
        around = _Around(loop, board, there)
        session = Session(
            await around.link(plan.loader), protocols.load(plan.family), clock=loop, sinks=[fold.add, events.append]
        )

        def keep(event: Event) -> None:
            if not isinstance(event, Mark):  # bytes do not move the plan
                return
            state = fold.snapshot().bringup
            if state is not None and (not states or states[-1] != state):
                states.append(state)

        session.add_sink(keep)
        bringup = Bringup(plan, session, fold, hands, around, start_at=start_at, serial=serial, past=past)
        outcome, error = None, None
        try:
            outcome = await bringup.run()
        except WakelineError as trouble:
            error = trouble
        await session.close()
        state = fold.snapshot().bringup
        assert state is not None
        return Story(outcome, state, events, hands, fold.snapshot(), error, states)

    return in_jumping_time(story)
