"""A board's plan carried out as text: at a port with somebody's hands, or on the simulated bench with its own."""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from console.bench import control
from console.bench.client import SimulatedBench
from console.bench.scenes import scenes, setup_for
from console.bench.signs import NOTHING, unseen
from console.boards.past import Past
from console.boards.plan import Plan, Work
from console.bringup.around import SystemPorts, settings_for
from console.bringup.run import Bringup
from console.clock import MonotonicClock
from console.commands.attempt import is_simulated, opened
from console.commands.board_hands import AskedOnBench, BoardBenchHands
from console.commands.plan_text import PlanText
from console.errors import UsageTrouble
from console.operating import Hands
from console.session.session import Session
from console.signals import heeded
from console.snapshot import Fold, Snapshot
from console.summary import cause_lines

Say = Callable[[str], None]
STANDS_IN: Final = "the simulated board's port is there"


@dataclass(frozen=True, slots=True)
class Place:
    """Where a board is brought up: its port, whose hands do the steps, and what stands in for its plug ("": none)."""

    port: str
    hands: Hands
    stands_in: str = ""


def at_port(port: str, hands: Hands) -> Place:
    """A port of this system, behind which a simulated board may be."""
    return Place(port, hands, STANDS_IN if control.find(port) is not None else "")


@contextlib.asynccontextmanager
async def on_bench(
    staged: Sequence[str], plan: Plan, say: Say, asked: Callable[[Hands], Hands] | None = None
) -> AsyncIterator[Place]:
    """A simulated board with its power off; `staged` are a scene at most, faults and flaws, none for a good board.

    Its own hands do the steps; with `asked`, whoever that makes of them answers, and the hands do what is said.
    Raises UsageTrouble for what cannot be staged, PortTrouble for a bench that does not start.
    """
    known = {one.name for one in scenes()}
    chosen, faults = [one for one in staged if one in known], [one for one in staged if one and one not in known]
    if len(chosen) > 1:
        raise UsageTrouble("usage", f"one board, and {len(chosen)} scenes are given", help="leave all but one of them")
    scene = chosen[0] if chosen else None
    watched = {part for stage in plan.stages if stage.work is Work.CONFIRM for part in stage.exercises.parts}
    for name in unseen(setup_for(scene), faults, watched):
        say(f"staged: {name} {NOTHING}")
    # a link: some faults take the port away, and it comes back under the same name
    with tempfile.TemporaryDirectory(prefix="wakeline-") as folder:
        async with SimulatedBench() as bench:
            await bench.start(scene=scene, fault=faults, link=Path(folder) / "board.port")
            await bench.act("power-off")
            hands = BoardBenchHands(bench, plan, say)
            yield Place(bench.port, hands if asked is None else AskedOnBench(asked(hands), hands), STANDS_IN)


async def carry_out(
    plan: Plan,
    place: Place,
    fold: Fold,
    say: Say,
    *,
    serial: str = "",
    start_at: str | None = None,
    record: str | None = None,
    overwrite: bool = False,
    experience: Callable[[Snapshot], Sequence[str]] = lambda snapshot: (),
    past: Past | None = None,
) -> None:
    """The whole plan into `fold`, every step told as it happens. Raises WakelineError.

    `past`: what the bench's own boards of this design tell about its places. `experience`: what is known of boards that
    failed as this one just did, in lines.
    """

    def show(snapshot: Snapshot, attempted: bool) -> None:
        say("\n".join(f"  {row}" for row in cause_lines(snapshot)))

    settings = settings_for(place.port, plan.loader)
    async with opened(
        settings, plan.family, fold=fold, record=record, overwrite=overwrite, live=PlanText(say), at_once=False
    ) as session:
        around = SystemPorts(place.port, MonotonicClock(), place.stands_in)
        simulated = is_simulated(place.port)
        bringup = Bringup(
            plan,
            session,
            fold,
            place.hands,
            around,
            serial=serial,
            start_at=start_at,
            simulated=simulated,
            show=show,
            past=past,
        )
        await _until_stopped(bringup, session)


async def _until_stopped(bringup: Bringup, session: Session) -> None:
    """Ctrl-C (and what else asks for an end) ends what runs over the port, at a block's border while something is
    written; else it leaves the plan."""
    task, left = asyncio.ensure_future(bringup.run()), False

    def pressed() -> None:
        nonlocal left
        if session.busy:
            bringup.stop()
        else:
            left = True
            task.cancel()

    with heeded(pressed):
        try:
            await task
        except asyncio.CancelledError:
            if not left:
                raise
