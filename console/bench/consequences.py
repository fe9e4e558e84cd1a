"""What the joints of a staged board mean for its port, its chip and its serial line. Pure.

The serial line's rules (`wiring`) speak of one joint and one short for each direction: here the ways from the bridge
through the series resistors to the chip are followed, and what is found is said in those words.

Hands that set the boot strap and press reset do so at the parts themselves, and power the board anew where that does
not start the chip: lines from the bridge to reset and strap are never used by a simulated port.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

from console.bench import supplies, tern
from console.bench.joints import Joints, Nets
from console.bench.setup import Setup
from console.bench.tern import BRIDGE, GROUND, MCU, SUPPLY, USB
from console.bench.wiring import Adapter, Fitted, Joint, Stuck, Wiring


def wired(setup: Setup) -> Wiring:
    """The wiring of adapter, cable and board with what is wrong at the board's joints."""
    return _wired(setup.wiring, setup.joints)


def boots(setup: Setup) -> bool:
    """Whether a start of the chip leads into its ROM: the strap is set and its level arrives, the other strap is low.

    A strap pin that floats is at the wrong level: common practice, no source.
    """
    nets = Nets(setup.joints)
    reaches = tern.STRAP not in setup.joints.opens or nets.held(tern.STRAP) == 1
    return reaches and nets.held(tern.STRAP) != 0 and nets.held(tern.STRAP_LOW) == 0 and setup.strap_boot


def blinks(setup: Setup) -> bool:
    """Whether the lamp follows the program."""
    nets, (pin, near, far, lamp) = Nets(setup.joints), tern.LAMP_LINE
    if not wired(setup).runs or {"R3", tern.LAMP} & set(setup.joints.dead):
        return False
    free = all(nets.held(at) is None for at in tern.LAMP_LINE)
    return free and nets.joined(pin, near) and nets.joined(far, lamp) and nets.held(f"{tern.LAMP}.1") == 0


def looks_soldered(joints: Joints, part: str) -> bool:
    """Whether a connector stands in good joints, with no solder between its pins."""
    wrong = {*joints.opens, *(pin for pair in joints.bridges for pin in pair)}
    return not any(pin.partition(".")[0] == part for pin in wrong)


@lru_cache(maxsize=64)
def _wired(base: Wiring, joints: Joints) -> Wiring:
    if joints == Joints():
        return base
    nets = Nets(joints)
    rail = supplies.volts(joints, base.board_v)[SUPPLY]
    # solder from a supply to ground; an adapter that is fed by the same plug goes down with it
    shorted = base.supply_shorted or supplies.ohms(joints, SUPPLY, GROUND) < supplies.SHORT_OHM
    dead = base.chip is Fitted.GOOD and not shorted and not supplies.lives(joints, MCU)
    tx_joint, tx_stuck = _line(nets, joints, tern.TX_LINE, "R2")
    rx_joint, rx_stuck = _line(nets, joints, tern.RX_LINE, "R1")
    chip_tx, bridge_rx = tern.TX_LINE[0], tern.TX_LINE[3]
    chip_rx, bridge_tx = tern.RX_LINE[0], tern.RX_LINE[3]
    if tx_stuck is Stuck.NO and any(nets.joined(bridge_rx, pin) for pin in ("U1.14", "U1.15")):
        tx_stuck = Stuck.HIGH  # an idle output of the bridge beats the chip behind its resistor
    if rx_stuck is Stuck.NO and nets.joined(chip_tx, chip_rx):
        rx_stuck = Stuck.HIGH  # and the chip's idle output the bridge behind its own
    return replace(
        base,
        adapter=_adapter(base, nets, joints, shorted=shorted),
        powered=base.powered and (shorted or rail >= 2.0),  # the F10x works from 2.0 V
        board_v=base.board_v if shorted or rail < 2.0 else round(rail, 2),
        supply_shorted=shorted,
        chip=Fitted.DEAD if dead else base.chip,
        reset_held=base.reset_held or (nets.held(tern.RESET) == 0 and not shorted),
        tx_joint=base.tx_joint if tx_joint is Joint.GOOD else tx_joint,
        rx_joint=base.rx_joint if rx_joint is Joint.GOOD else rx_joint,
        tx_stuck=base.tx_stuck if tx_stuck is Stuck.NO else tx_stuck,
        rx_stuck=base.rx_stuck if rx_stuck is Stuck.NO else rx_stuck,
        bridged=base.bridged or any(nets.joined(bridge_tx, pin) for pin in (bridge_rx, chip_tx)),
    )


def _line(nets: Nets, joints: Joints, line: Sequence[str], series: str) -> tuple[Joint, Stuck]:
    """The joints from chip to bridge as one, and what holds the line where the bridge can see it, else at the chip."""
    chip, near, far, bridge = line
    arrives = nets.joined(far, bridge)
    through = arrives and series not in joints.dead
    whole = through and nets.joined(chip, near)
    seen = [bridge, *([far] if arrives else []), *([near] if through else [])]
    held = [level for level in map(nets.held, (*seen, chip)) if level is not None]
    stuck = Stuck.NO if not held or nets.shorted else Stuck.LOW if held[0] == 0 else Stuck.HIGH
    if not whole and any(nets.held(pin) is not None for pin in seen):
        return Joint.GOOD, stuck  # the short is on the bridge's side of the open joint
    if not whole:
        return Joint.OPEN, stuck
    return (Joint.INTERMITTENT if set(line) & set(joints.shaky) else Joint.GOOD), stuck


def _adapter(base: Wiring, nets: Nets, joints: Joints, *, shorted: bool) -> Adapter:
    """The board's own USB bridge: without supply or D+ (USB 2.0 s.7.1.5: its pull-up) nothing is seen of it at all."""
    if base.adapter is not Adapter.GOOD:
        return base.adapter
    if supplies.volts(joints)[USB] < 4.0 or (not shorted and not supplies.lives(joints, BRIDGE)):
        return Adapter.ABSENT
    plus, minus = f"{BRIDGE}.4", f"{BRIDGE}.5"
    if not nets.joined("J1.3", plus) or nets.held(plus) is not None:
        return Adapter.ABSENT
    if not nets.joined("J1.2", minus) or nets.held(minus) is not None or nets.joined(plus, minus):
        return Adapter.NO_CLOCK
    return base.adapter
