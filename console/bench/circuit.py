"""What a meter shows on the staged board: direct voltages and resistances of the few nets of the serial link. Pure.

Nodal analysis of resistors, sources behind a resistance, and diodes that conduct from 0.6 V on (textbook method: the
sum of currents into a node is zero). The values of parts are those of a small logger with a usual adapter: common
practice, no source. They must agree with the rules of `wiring`, which decide what the receivers hear.

Not modelled: anything that moves (edges, ripple), the meter's own load, temperature, tolerances, leakage.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from console.bench.wiring import Adapter, Fitted, Joint, Stuck, Wiring

USB_V: Final = 5.0
DIODE_V: Final = 0.6
OUTPUT_OHM: Final = 25.0
SERIES_OHM: Final = 470.0
PULL_UP_OHM: Final = 50_000.0
SHORT_OHM: Final = 0.5
WIRE_OHM: Final = 0.2
LOAD_OHM: Final = 20.0
"""What an unpowered board draws through its rail, seen by somebody who feeds it through a pin."""
SUPPLY_OHM: Final = 1.0
SUPPLY_LIMIT_A: Final = 0.1
"""What the limited supply on the bench is set to."""
RUNNING_A: Final = 0.012
UNREADABLE_OHM: Final = 20e6
"""Above this a meter shows overload."""
_DIODE_OHM: Final = 1.0
_LEAK_S: Final = 1e-9  # keeps a node nobody drives from having no solution; a meter's own 10 megohm is stronger

GROUND: Final = "ground"
ADAPTER_TX, ADAPTER_RX = "adapter TX", "adapter RX"
HEADER_TX, HEADER_RX = "header TX", "header RX"
PIN_TX, PIN_RX = "pin TX", "pin RX"
RAIL: Final = "rail"


@dataclass(frozen=True, slots=True)
class Resistor:
    """Between two nodes; `volts` is a source in series that lifts `a` above `b`."""

    a: str
    b: str
    ohm: float
    volts: float = 0.0


@dataclass(frozen=True, slots=True)
class Diode:
    """Conducts from `anode` to `cathode`."""

    anode: str
    cathode: str


def solve(resistors: Iterable[Resistor], diodes: Iterable[Diode] = ()) -> dict[str, float]:
    """Volts of every node against ground. Raises ValueError when the diodes find no state that agrees with itself."""
    parts, switches = list(resistors), list(diodes)
    for count in range(len(switches) + 1):
        for on in combinations(switches, count):
            found = _linear([*parts, *(Resistor(d.anode, d.cathode, _DIODE_OHM, DIODE_V) for d in on)])
            if all(_agrees(found, diode, diode in on) for diode in switches):
                return found
    raise ValueError("the diodes find no state")


def _agrees(found: dict[str, float], diode: Diode, on: bool) -> bool:
    over = found.get(diode.anode, 0.0) - found.get(diode.cathode, 0.0) - DIODE_V
    return over >= -1e-9 if on else over <= 1e-9


def _linear(parts: list[Resistor]) -> dict[str, float]:
    names = sorted({node for part in parts for node in (part.a, part.b)} - {GROUND})
    place = {name: n for n, name in enumerate(names)}
    size = len(names)
    rows = [[0.0] * (size + 1) for _ in names]
    for n in range(size):
        rows[n][n] = _LEAK_S
    for part in parts:
        conductance = 1 / part.ohm
        a, b = place.get(part.a), place.get(part.b)
        for here, there, sign in ((a, b, 1), (b, a, -1)):
            if here is not None:
                rows[here][here] += conductance
                rows[here][size] += sign * conductance * part.volts
                if there is not None:
                    rows[here][there] -= conductance
    for n in range(size):
        pivot = max(range(n, size), key=[abs(row[n]) for row in rows].__getitem__)
        rows[n], rows[pivot] = rows[pivot], rows[n]
        for below in range(n + 1, size):
            factor = rows[below][n] / rows[n][n]
            for column in range(n, size + 1):
                rows[below][column] -= factor * rows[n][column]
    out = [0.0] * size
    for n in reversed(range(size)):
        out[n] = (rows[n][size] - sum(rows[n][k] * out[k] for k in range(n + 1, size))) / rows[n][n]
    return dict(zip(names, out, strict=True))


# --- the board's parts


def _copper(wiring: Wiring, *, cable: bool) -> list[Resistor]:
    """What conducts whether powered or not. A joint that comes and goes touches while it is measured."""
    found = []
    if cable:
        to_tx, to_rx = (HEADER_RX, HEADER_TX) if wiring.crossed else (HEADER_TX, HEADER_RX)
        found += [Resistor(ADAPTER_TX, to_tx, WIRE_OHM), Resistor(ADAPTER_RX, to_rx, WIRE_OHM)]
    if wiring.bridged:
        found.append(Resistor(HEADER_TX, HEADER_RX, SHORT_OHM))
    for header, pin, joint, stuck in (
        (HEADER_TX, PIN_TX, wiring.tx_joint, wiring.tx_stuck),
        (HEADER_RX, PIN_RX, wiring.rx_joint, wiring.rx_stuck),
    ):
        if joint is not Joint.OPEN:
            found.append(Resistor(header, pin, SERIES_OHM))
        if stuck is not Stuck.NO:
            found.append(Resistor(pin, GROUND if stuck is Stuck.LOW else RAIL, SHORT_OHM))
    if wiring.supply_shorted:
        found.append(Resistor(RAIL, GROUND, SHORT_OHM))
    return found


def _clamps(wiring: Wiring) -> list[Diode]:
    if wiring.chip is Fitted.MISSING:
        return []
    return [Diode(PIN_TX, RAIL), Diode(PIN_RX, RAIL), Diode(GROUND, PIN_TX), Diode(GROUND, PIN_RX)]


def volts(wiring: Wiring, *, sends_low: bool = False, drives_tx: bool = True) -> dict[str, float]:
    """Volts of every node while the link idles, or while the host holds its TX low.

    `drives_tx` False: the chip's program left its TX pin an input. Without a common ground the adapter's side has no
    voltage a meter on the board could show: its drivers are left out.
    """
    parts = [*_copper(wiring, cable=True), Resistor(RAIL, GROUND, LOAD_OHM)]
    if wiring.powered:
        # a shorted rail takes what the source gives and stays near zero
        parts.append(Resistor(RAIL, GROUND, USB_V / SUPPLY_LIMIT_A, wiring.board_v) if wiring.supply_shorted
                     else Resistor(RAIL, GROUND, SUPPLY_OHM / 100, wiring.board_v))  # fmt: skip
    if wiring.ground:
        if wiring.adapter is Adapter.GOOD:
            level = 0.0 if sends_low and wiring.attached else wiring.adapter_v
            parts.append(Resistor(ADAPTER_TX, GROUND, OUTPUT_OHM, level))
        if wiring.adapter_pull_up and wiring.adapter in (Adapter.GOOD, Adapter.DEAD):
            parts.append(Resistor(ADAPTER_RX, GROUND, PULL_UP_OHM, wiring.adapter_v))
    if wiring.runs:
        if drives_tx:
            parts.append(Resistor(PIN_TX, RAIL, OUTPUT_OHM))
        parts.append(Resistor(PIN_RX, RAIL, PULL_UP_OHM))
    return solve(parts, _clamps(wiring))


def ohms(wiring: Wiring, a: str, b: str) -> float:
    """Resistance between two header pads or rail and ground, cable off, no power, probes so that no diode conducts.

    `UNREADABLE_OHM` at most: overload.
    """
    current_a = 1e-9 / 1e-3  # a meter's own: some microamperes keep every diode below its knee at a short
    parts = [*_copper(wiring, cable=False), Resistor(RAIL, GROUND, 10_000.0)]
    source = Resistor(a, b, 1e12, current_a * 1e12)
    found = solve([*parts, source, Resistor(HEADER_TX, GROUND, 1e12), Resistor(HEADER_RX, GROUND, 1e12)])
    across = found.get(a, 0.0) - found.get(b, 0.0)
    return min(UNREADABLE_OHM, abs(across) / current_a)


def diode_test(wiring: Wiring, header: str) -> float | None:
    """What a diode test shows from ground (red) to a header pad (black), cable off, in volts; None = overload."""
    pull = Resistor(header, GROUND, 3000.0, -3.0)  # a meter pulls about a milliampere from up to 3 V
    parts = [*_copper(wiring, cable=False), Resistor(RAIL, GROUND, 10_000.0), pull]
    across = -solve(parts, _clamps(wiring))[header]
    return across if across < 2.0 else None


def supply_current(wiring: Wiring, *, running: bool) -> float:
    """Amperes from a limited supply in place of the board's own."""
    if not wiring.powered:
        return 0.0
    if wiring.supply_shorted:
        return SUPPLY_LIMIT_A
    # regulator and divider draw a little whatever the chip does: common practice, no source
    return RUNNING_A if running else RUNNING_A / 4
