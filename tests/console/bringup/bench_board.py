"""A plan carried out by the bench's own hands, on a staged board in this process and in time that jumps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, cast

import protocols
from console.bench import deeds
from console.bench.board import Board
from console.bench.client import SimulatedBench
from console.bench.scenes import setup_for
from console.boards.plan import Plan, Port
from console.bringup.around import settings_for
from console.bringup.fold import Repaired
from console.bringup.run import Bringup
from console.causes.rank import NextCheck
from console.commands.board_hands import BoardBenchHands
from console.errors import Outcome, WakelineError
from console.link.base import Link
from console.operating import Reply
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from tests.console.bringup.staged_board import TERN, StagedLink
from tests.staged import JumpingLoop, in_jumping_time


class _InProcess:
    """What `SimulatedBench` is to the hands, without a process."""

    def __init__(self, board: Board, loop: JumpingLoop) -> None:
        self._board, self._loop = board, loop

    async def act(self, action: str, **fields: Any) -> Mapping[str, Any]:
        return deeds.act(self._board, action, fields, self._loop.time())


class _Around:
    """The port is there while the board's bridge shows up."""

    def __init__(self, loop: JumpingLoop, board: Board) -> None:
        self._loop, self._board = loop, board

    async def link(self, port: Port) -> Link:
        return StagedLink(self._board, self._loop, settings_for("staged", port))

    async def shows_up(self, usb: tuple[int, int] | None, within_s: float) -> tuple[bool, str]:
        return self._board.wiring.adapter.enumerates, "as staged"


@dataclass
class Walk:
    """How it went: the readings and looks in order, what was put right, and how the board stands."""

    board: Board
    outcome: Outcome | None = None
    error: WakelineError | None = None
    failed: list[str] = field(default_factory=list)
    looks: list[str] = field(default_factory=list)
    """Suspects looked at, by key, and steps of the diagnosis of a silent board, by id."""
    readings: dict[str, float | None] = field(default_factory=dict)
    told: list[str] = field(default_factory=list)
    repairs: tuple[Repaired, ...] = ()

    @property
    def boxed(self) -> bool:
        return self.outcome is Outcome.OK and not self.error


class _Seen(BoardBenchHands):
    """The bench's hands, watched."""

    def __init__(self, bench: _InProcess, plan: Plan, walk: Walk) -> None:
        super().__init__(cast(SimulatedBench, bench), plan, walk.told.append)
        self._walk = walk
        self._stages = {stage.id for stage in plan.stages}

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        found = await super().reply(check, snapshot)
        if check.id in self._stages:
            self._walk.readings.setdefault(check.id, found.value)
        elif not check.change or check.id[0] in "KR":
            self._walk.looks.append(check.id)
        return found


def walked(*faults: str, plan: Plan = TERN) -> Walk:
    """The whole plan on a board with these faults, by the bench's own hands."""

    async def story(loop: JumpingLoop) -> Walk:
        board = Board(setup_for(None, faults), 0.0)
        walk, fold = Walk(board), Fold()
        bench, around = _InProcess(board, loop), _Around(loop, board)
        await bench.act("power-off")
        session = Session(await around.link(plan.loader), protocols.load(plan.family), clock=loop, sinks=[fold.add])
        try:
            walk.outcome = await Bringup(plan, session, fold, _Seen(bench, plan, walk), around).run()
        except WakelineError as trouble:
            walk.error = trouble
        await session.close()
        state = fold.snapshot().bringup
        assert state is not None
        walk.repairs = state.repairs
        walk.failed = list(dict.fromkeys(one.stage for one in state.repairs))
        return walk

    return in_jumping_time(story)
