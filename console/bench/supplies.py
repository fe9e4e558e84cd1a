"""The Tern's supplies with whatever is wrong at its joints: volts and ohms of its nets, and who lives on them. Pure.

One network of resistors serves every reading (`circuit` solves it): parts between the nodes of their pins, solder
between nodes, a node of its own for a pin that is not soldered. USB feeds the 3.3 V regulator, and that the 1.2 V
regulator; each holds its voltage up to its limit, gives its limit into a short, and takes no current back. Values:
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import Final

from console.bench import circuit, tern
from console.bench.circuit import Resistor
from console.bench.joints import Joints
from console.bench.tern import CORE, GROUND, SUPPLY, USB

UP_SHARE: Final = 0.75
"""A chip lives on this much of its supply: the F10x from 2.0 V, most others from about 2.5 V of 3.3 V."""
SHORT_OHM: Final = 10.0
"""Below it many continuity testers sound."""
RESTING_OHM: Final[Mapping[str, float]] = {USB: 100_000.0, SUPPLY: 10_000.0, CORE: 1_000.0}
"""From a supply to ground, without power: what its parts let through."""
_LOAD_OHM: Final[Mapping[str, float]] = {USB: 5_000.0, SUPPLY: 60.0, CORE: 60.0}
_ZERO: Final = circuit.GROUND
_SOURCE_OHM: Final = 0.01
_DROP_V: Final = 0.2
_PROBE_A: Final = 1e-6  # a meter's own: every diode stays below its knee


@dataclass(frozen=True, slots=True)
class _Source:
    """What feeds `net` out of `source`; `pins` must be joined, one of each group."""

    net: str
    source: str
    volts: float
    limit_a: float
    part: str
    pins: tuple[tuple[str, ...], ...]


_SOURCES: Final = (
    _Source(USB, "", circuit.USB_V, 0.5, "J1", (("J1.1",), ("J1.5", "J1.S"))),
    _Source(SUPPLY, USB, 3.3, 0.3, "U2", (("U2.1",), ("U2.2",), ("U2.3",), ("U2.5",))),
    _Source(CORE, SUPPLY, 1.2, 0.3, "U3", (("U3.1",), ("U3.2",), ("U3.3",), ("U3.5",))),
)


def volts(joints: Joints, board_v: float = 3.3) -> Mapping[str, float]:
    """Volts of every supply while the board has power; `board_v` is what its 3.3 V regulator was made for."""
    return _volts(_steady(joints), board_v)


@lru_cache(maxsize=256)
def _volts(joints: Joints, board_v: float) -> Mapping[str, float]:
    wanted = [replace(one, volts=board_v) if one.net == SUPPLY else one for one in _SOURCES]
    parts = [*_copper(joints), *(Resistor(net, _ZERO, ohm) for net, ohm in _LOAD_OHM.items())]
    choices = [("on", "limit", "off") if _whole(one, joints) else ("off",) for one in wanted]
    for how in product(*choices):
        found = circuit.solve([*parts, *_feeds(wanted, how)])
        states = zip(wanted, choices, how, strict=True)
        if all(len(may) == 1 or _agrees(one, state, found) for one, may, state in states):
            return {net: found.get(net, 0.0) for net in _LOAD_OHM}
    return dict.fromkeys(_LOAD_OHM, 0.0)


def _steady(joints: Joints) -> Joints:
    """Without what changes from reading to reading: a shaky joint touches while it is measured."""
    return Joints(joints.opens, joints.bridges, joints.dead)


def ohms(joints: Joints, a: str, b: str) -> float:
    """Ohms between two nets or pins without power; `circuit.UNREADABLE_OHM` at most: overload."""
    rest = [Resistor(net, _ZERO, ohm) for net, ohm in RESTING_OHM.items()]
    one, other = (_node(joints, at) for at in (a, b))
    if one == other:
        return circuit.WIRE_OHM
    probe = Resistor(one, other, 1e12, _PROBE_A * 1e12)
    found = circuit.solve([*_copper(joints), *rest, probe])
    across = abs(found.get(one, 0.0) - found.get(other, 0.0))
    return min(circuit.UNREADABLE_OHM, across / _PROBE_A)


def lives(joints: Joints, part: str) -> bool:
    """Whether a chip has its supplies: one good joint of each group, and voltage there."""
    if part in joints.dead:
        return False
    shown, whole = volts(joints), {USB: circuit.USB_V, SUPPLY: 3.3, CORE: 1.2}
    for group in tern.POWER[part]:
        pins = [f"{part}.{pin}" for pin in group if f"{part}.{pin}" not in joints.opens]
        net = tern.NETS[f"{part}.{group[0]}"]
        if not pins or (net != GROUND and shown[net] < UP_SHARE * whole[net]):
            return False
    return True


def _node(joints: Joints, pin: str) -> str:
    """The network's name of a net, or of what a pin is joined to."""
    net = pin if pin in joints.opens else tern.NETS.get(pin, pin)
    return _ZERO if net == GROUND else net


def _copper(joints: Joints) -> list[Resistor]:
    """Resistors and solder; a part is joined to nothing by a pin that is not soldered."""
    pairs = [(f"{part}.1", f"{part}.2", ohm) for part, ohm in tern.RESISTORS.items() if part not in joints.dead]
    pairs += [(a, b, circuit.SHORT_OHM) for a, b in joints.bridges]
    found = [(_node(joints, a), _node(joints, b), ohm) for a, b, ohm in pairs]
    return [Resistor(a, b, ohm) for a, b, ohm in found if a != b]


def _whole(source: _Source, joints: Joints) -> bool:
    if source.part in joints.dead:
        return False
    return all(any(pin not in joints.opens for pin in group) for group in source.pins)


def _feeds(sources: Sequence[_Source], how: Iterable[str]) -> list[Resistor]:
    found = []
    for one, state in zip(sources, how, strict=True):
        if state == "on":
            found.append(Resistor(one.net, _ZERO, _SOURCE_OHM, one.volts))
        elif state == "limit":  # a source that gives its limit into a short
            found.append(Resistor(one.net, _ZERO, one.volts / one.limit_a, one.volts))
        if state != "off" and one.source:  # what it gives it takes
            found.append(Resistor(one.source, _ZERO, 1_000.0))
    return found


def _agrees(one: _Source, state: str, found: Mapping[str, float]) -> bool:
    """Whether a source can be in that state at these voltages."""
    at, fed = found.get(one.net, 0.0), one.source == "" or found.get(one.source, 0.0) >= one.volts + _DROP_V
    gives = (one.volts - at) / _SOURCE_OHM
    if state == "on":
        return fed and 0 <= gives <= one.limit_a
    if state == "limit":
        return fed and at < UP_SHARE * one.volts
    return not fed or at > one.volts
