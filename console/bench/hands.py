"""What a step of work does to the staged board: each repair mends its own fault and nothing else. Pure.

Steps carry the ids of the workshop's list (K: checks, of which some change something; R: repairs). Soldering and wiring
is done with the board off; it is powered again afterwards, which is a start of the chip. Every repair succeeds here;
on a real bench it may not.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Final

from console.bench import tern
from console.bench.board import Board
from console.bench.setup import Setup
from console.bench.tern import GROUND, SUPPLY, USB
from console.bench.wiring import Adapter, Fitted, Joint, Stuck
from console.errors import UsageTrouble
from console.text import clean

TX, RX = "tx_joint", "rx_joint"
_PINS: Final[Mapping[str, str]] = {TX: tern.TX_LINE[0], RX: tern.RX_LINE[0]}


def heal(setup: Setup, *sides: str) -> Setup:
    """The chip's joints on these sides reflowed, both where none is named."""
    sides = sides or (TX, RX)
    wires: dict[str, Any] = dict.fromkeys(sides, Joint.GOOD)
    joints = setup.joints.reflowed([_PINS[side] for side in sides])
    return replace(setup, wiring=replace(setup.wiring, **wires), joints=joints)


def mended(setup: Setup, place: str) -> Setup:
    """Everything put right at a pin, or at all pins of a part."""
    return replace(setup, joints=setup.joints.mended(place))


def exchanged(setup: Setup, part: str) -> Setup:
    """A new part in place of a dead, missing or wrong one; a part that works is left as it is, joints and all."""
    if part == tern.MCU and setup.wiring.chip is not Fitted.GOOD:
        setup = _new_chip(setup)
    if part == tern.BRIDGE and setup.wiring.adapter in (Adapter.DEAD, Adapter.NO_CLOCK):
        setup = _wires(adapter=Adapter.GOOD)(setup)
    return setup.exchanged(part)


def _wires(**changes: Any) -> Callable[[Setup], Setup]:
    return lambda setup: replace(setup, wiring=replace(setup.wiring, **changes))


def _swapped(setup: Setup) -> Setup:
    return replace(setup, wiring=replace(setup.wiring, crossed=not setup.wiring.crossed))


def _reflowed(setup: Setup) -> Setup:
    return heal(setup)


def _parted(nets: Collection[str], others: Collection[str], **changes: Any) -> Callable[[Setup], Setup]:
    """Solder between these nets cleared."""

    def done(setup: Setup) -> Setup:
        setup = _wires(**changes)(setup)
        return replace(setup, joints=setup.joints.parted(nets, others))

    return done


def _to_boot(setup: Setup) -> Setup:
    return replace(setup, strap_boot=True)


def _other_adapter(setup: Setup) -> Setup:
    """A person who plugs another adapter sees its port come, and takes that one."""
    wires = replace(setup.wiring, adapter=Adapter.GOOD, attached=True)
    return replace(setup, wiring=wires, frame_pinned=False)


def _tx_cleared(setup: Setup) -> Setup:
    low = setup.wiring.tx_stuck is Stuck.LOW
    return _parted(tern.TX_NETS, {GROUND}, **({"tx_stuck": Stuck.NO} if low else {}))(setup)


def _bridge_clock(setup: Setup) -> Setup:
    joints = setup.joints.reflowed([pin for pin in tern.PINS if pin.startswith(f"{tern.BRIDGE}.")])
    setup = replace(setup, joints=joints)
    return _wires(adapter=Adapter.GOOD)(setup) if setup.wiring.adapter is Adapter.NO_CLOCK else setup


def _unprotected(setup: Setup) -> Setup:
    return replace(setup, readout_protected=False)


def _levels(setup: Setup) -> Setup:
    return _wires(adapter_v=setup.wiring.board_v)(setup)


def _new_chip(setup: Setup) -> Setup:
    setup = replace(_wires(chip=Fitted.GOOD)(setup), readout_protected=False)
    dead = tuple(part for part in setup.joints.dead if part != tern.MCU)
    return replace(setup, joints=replace(setup.joints, dead=dead))


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
        "R04": (_parted({SUPPLY, USB}, {GROUND}, supply_shorted=False), True),
        "R07": (_wires(attached=True), False),
        "R08": (_other_adapter, False),
        "R10": (_other_adapter, False),
        "R13": (_tx_cleared, True),
        "R14": (_parted(tern.RX_NETS, {GROUND, SUPPLY, USB}, rx_stuck=Stuck.NO), True),
        "R15": (_parted(tern.TX_NETS, tern.RX_NETS, bridged=False), True),
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
    return work(board, after(board.setup, step), now_s, starts=REPAIRS[step][1])


def work(board: Board, done: Setup, now_s: float, *, starts: bool = True) -> bool:
    """Make the board as in `done`, which starts it anew; returns whether anything changed by it."""
    before = board.setup
    if _rebuilt(before, done):
        board.become(done, now_s, chatter=False)
        return True
    if done.joints != before.joints:
        board.mend(done.joints, now_s)
    board.rewire(done.wiring, now_s)
    board.setup = done
    if before.frame_pinned and not done.frame_pinned:
        board.unpin()
    if starts and board.wiring.runs:
        board.reset(now_s)
    return done != before


def _rebuilt(before: Setup, done: Setup) -> bool:
    """Whether the chip comes out blank: a new one, or one whose protection was taken off (AN3155 Rev 20 s.3.12)."""
    new = before.wiring.chip is not done.wiring.chip or tern.MCU in {*before.joints.dead} - {*done.joints.dead}
    new |= before.product != done.product
    return new or (before.readout_protected and not done.readout_protected)


def exchange(board: Board, part: str, now_s: float) -> bool:
    """As `exchanged`, on the board; returns whether there was need for it."""
    return work(board, exchanged(board.setup, part), now_s)
