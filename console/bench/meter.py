"""A meter and a pair of eyes on the staged board: volts, ohms, and whether a part does what it is there for. Pure.

Limits: a probe never slips; a signal that a chip drives has no reading here (`oracle` measures the serial line's); a
look at a whole part finds what every look would: a dark lamp, a header that is not soldered in.
"""

from __future__ import annotations

import math

from console.bench import circuit, supplies, tern
from console.bench.consequences import blinks, looks_soldered, wired
from console.bench.setup import Setup

HEADERS = frozenset(("J2", "J3", "J4"))


def known(place: str) -> bool:
    """Whether the place is a net or a pin of this board."""
    return place in tern.PINS or place in tern.NETS.values()


def ohms(setup: Setup, a: str, b: str) -> float:
    """Between two nets or pins, without power; infinite: overload. The places must be known."""
    value = supplies.ohms(setup.joints, a, b)
    return value if value < circuit.UNREADABLE_OHM else math.inf


def volts(setup: Setup, place: str) -> float | None:
    """At a supply's net, or a net that a resistor holds, or a pin of it; None where a chip decides. Must be known."""
    wiring = wired(setup)
    net = tern.NETS.get(place, place)
    if net == tern.SUPPLY:
        return circuit.volts(wiring)[circuit.RAIL]
    if net == tern.GROUND or not setup.wiring.powered:
        return 0.0
    return supplies.volts(setup.joints, setup.wiring.board_v).get(net) if net in supplies.RESTING_OHM else None


def does(setup: Setup, part: str) -> bool:
    """Whether eyes find it as it should be: the lamp blinks, a header stands in good joints; all else looks right."""
    if part == tern.LAMP:
        return blinks(setup)
    return part not in HEADERS or looks_soldered(setup.joints, part)
