"""What a step of work does to the staged board: each repair mends its own fault and nothing else. Pure.

Steps carry the ids of the workshop's list (K: checks, of which some change something; R: repairs). Soldering and wiring
is done with the board off; it is powered again afterwards, which is a start of the chip. Every repair succeeds here;
on a real bench it may not.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Final

from console.bench.board import Board
from console.bench.setup import Setup
from console.bench.wiring import Adapter, Fitted, Joint, Stuck, Wiring
from console.errors import UsageTrouble
from console.text import clean


def heal(wiring: Wiring) -> Wiring:
    """Both joints reflowed."""
    return replace(wiring, tx_joint=Joint.GOOD, rx_joint=Joint.GOOD)


def _wires(**changes: Any) -> Callable[[Setup], Setup]:
    return lambda setup: replace(setup, wiring=replace(setup.wiring, **changes))


def _swapped(setup: Setup) -> Setup:
    return replace(setup, wiring=replace(setup.wiring, crossed=not setup.wiring.crossed))


def _reflowed(setup: Setup) -> Setup:
    return replace(setup, wiring=heal(setup.wiring))


def _to_boot(setup: Setup) -> Setup:
    return replace(setup, strap_boot=True)


def _other_adapter(setup: Setup) -> Setup:
    """A person who plugs another adapter sees its port come, and takes that one."""
    wires = replace(setup.wiring, adapter=Adapter.GOOD, attached=True)
    return replace(setup, wiring=wires, frame_pinned=False)


def _tx_cleared(setup: Setup) -> Setup:
    stuck = setup.wiring.tx_stuck
    return _wires(tx_stuck=Stuck.NO)(setup) if stuck is Stuck.LOW else setup


def _bridge_clock(setup: Setup) -> Setup:
    return _wires(adapter=Adapter.GOOD)(setup) if setup.wiring.adapter is Adapter.NO_CLOCK else setup


def _unprotected(setup: Setup) -> Setup:
    return replace(setup, readout_protected=False)


def _levels(setup: Setup) -> Setup:
    return _wires(adapter_v=setup.wiring.board_v)(setup)


def _new_chip(setup: Setup) -> Setup:
    return replace(_wires(chip=Fitted.GOOD)(setup), readout_protected=False)


def _nothing(setup: Setup) -> Setup:
    return setup


# step: what it changes, and whether the chip starts anew with it
REPAIRS: Final[Mapping[str, tuple[Callable[[Setup], Setup], bool]]] = MappingProxyType(
    {
        "K05": (_swapped, False),
        "K13": (_nothing, True),
        "K16": (_to_boot, True),
        "K23": (_reflowed, True),
        "K27": (_other_adapter, False),
        "K30": (_new_chip, True),
        "R02": (_wires(ground=True), True),
        "R03": (_wires(powered=True), True),
        "R04": (_wires(supply_shorted=False), True),
        "R07": (_wires(attached=True), False),
        "R08": (_other_adapter, False),
        "R10": (_other_adapter, False),
        "R13": (_tx_cleared, True),
        "R14": (_wires(rx_stuck=Stuck.NO), True),
        "R15": (_wires(bridged=False), True),
        "R16": (_bridge_clock, True),
        "R17": (_wires(clocked=True), True),
        "R19": (_unprotected, True),
        "R20": (_to_boot, True),
        "R21": (_levels, False),
        "R22": (_reflowed, True),
    }
)


def after(setup: Setup, step: str) -> Setup:
    """The setup once `step` is done. Raises UsageTrouble `bench-step` for a step that changes nothing on a bench."""
    if step not in REPAIRS:
        raise UsageTrouble(
            "bench-step", f"{clean(step, 20)!r} is no repair of this bench", help=f"choose one of: {', '.join(REPAIRS)}"
        )
    change, starts = REPAIRS[step]
    done = change(setup)
    return replace(done, in_loader=True) if starts else done


def repair(board: Board, step: str, now_s: float) -> bool:
    """Do `step` on the board; returns whether anything changed by it. Raises UsageTrouble `bench-step`."""
    before = board.setup
    done = after(before, step)
    if _rebuilt(before, done):
        board.become(done, now_s, chatter=False)
        return True
    board.rewire(done.wiring, now_s)
    board.setup = done
    if before.frame_pinned and not done.frame_pinned:
        board.unpin()
    if REPAIRS[step][1] and done.wiring.runs:
        board.reset(now_s)
    return done != before


def _rebuilt(before: Setup, done: Setup) -> bool:
    """Whether the chip comes out blank: a new one, or one whose protection was taken off (AN3155 Rev 20 s.3.12)."""
    return before.wiring.chip is not done.wiring.chip or (before.readout_protected and not done.readout_protected)


def exchange(board: Board, part: str, now_s: float) -> bool:
    """Put a new part in place of a dead one, or of another one than the design names; False where there is no need."""
    before = board.setup
    setup = before.exchanged(part)
    if setup.product != before.product:
        board.become(setup, now_s)  # a blank chip
    else:
        board.mend(setup.joints, now_s)
    return setup != before
