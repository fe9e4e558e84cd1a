"""What a supply's voltage says: from which other supplies it is apart, and what can make it too high. Pure.

The chances are those of a reading above the limits: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from console.boards.plan import Rail
from console.boards.stagerun import Board, Implication

_FEEDBACK: Final = 0.6  # the pin that measures the output sees less than there is, or nothing
_GROUND: Final = 0.5  # a regulator that has lost its ground passes on what it gets
_OTHER_PART: Final = 0.5  # one made for more volts
_PART: Final = 0.2  # the right one, passing on what it gets
_BRIDGE: Final = 0.5
_OTHERWISE: Final = 0.01
# a bridge cannot lift a supply above the one it comes from, meter and limits aside
_SLACK: Final = 1.1
METER: Final = (
    "a wrong range of the meter, or a probe on another net, reads too high as well: check both before the power is on"
)


def apart_from(board: Board, rails: Mapping[str, Rail], net: str) -> frozenset[frozenset[str]]:
    """The pairs of this supply and another of the board that its voltage shows to be joined or not: those whose limits
    do not meet, and what its makers make it of."""
    own = rails[net].limits
    others = {name for name, rail in rails.items() if rail.limits.least > own.most or rail.limits.most < own.least}
    for maker in board.makers(net):
        made = board.part(maker).makes or {net}
        pins = {pin.net for pin in board.circuit.parts[maker] if pin.net and board.is_supply_rail(pin.net)}
        others |= {name for name in pins - made if name not in rails}
    return frozenset(frozenset({net, other}) for other in others)


def too_high(board: Board, rails: Mapping[str, Rail], net: str, volts: float) -> Implication:
    """What a supply above its limits implies: a bridge to a higher one, its maker, what steers that."""
    makers = board.makers(net)
    pins = {pin.ref: _FEEDBACK for pin in board.steering(net)}
    pins |= {
        pin.ref: _GROUND
        for maker in makers
        for pin in board.circuit.parts[maker]
        if pin.net and board.is_rail(pin.net) and not board.is_supply_rail(pin.net)
    }
    parts = {pin.part: _FEEDBACK for pin in board.steering(net)} | dict.fromkeys(makers, _PART)
    joined = {}
    for pair in apart_from(board, rails, net):
        (other,) = pair - {net}
        if other not in rails or rails[other].limits.most * _SLACK >= volts:
            joined[pair] = _BRIDGE
    return Implication(
        f"{volts:g} V is too high",
        pins=pins,
        parts=parts,
        joined=joined,
        others=dict.fromkeys(makers, _OTHER_PART),
        otherwise=_OTHERWISE,
    )
