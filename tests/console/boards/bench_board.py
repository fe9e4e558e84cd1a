"""A small board of our own for the tests of stages, faults and suspects: a chip pair on SPI, clock, supply, strap."""

from __future__ import annotations

from console.boards.circuit import Circuit, Pin
from console.boards.stagerun import Board, Exercises, PartClass, StageRun


def row(ref: str, x: float, y: float, pitch: float, *nets: str) -> list[Pin]:
    """Pins 1, 2, … in a row from left to right."""
    return [Pin(ref, str(n + 1), net, x + n * pitch, y, "top") for n, net in enumerate(nets)]


PINS = [
    *row("U1", 0, 0, 0.5, "+3V3", "GND", "CS", "SCK", "MISO", "MOSI", "RX_A", "TX", "CLK", "+3V3", "GND", ""),
    *row("U2", 0, 10, 1.27, "CS", "MISO", "+3V3", "GND", "MOSI", "SCK"),
    *row("U3", 0, 20, 0.95, "VBUS", "GND", "VBUS", "", "+3V3"),
    *row("U4", 0, 30, 0.5, "RX", "TX", "VBUS", "GND"),
    *row("R1", 10, 0, 1.6, "RX", "RX_A"),
    *row("R2", 10, 5, 1.6, "CS", "+3V3"),
    *row("Y1", 10, 10, 2.0, "CLK", "GND", "+3V3"),
    *row("J1", 10, 20, 2.54, "VBUS", "GND"),
    *row("C1", 10, 30, 1.6, "+3V3", "GND"),
    *row("TP1", 10, 40, 1.6, "SCK"),
]
CLASSES = {
    "U3": PartClass("U3", "regulator", is_supply=True, makes=frozenset({"+3V3"})),
    "J1": PartClass("J1", "connector", is_supply=True, makes=frozenset({"VBUS"})),
    "U2": PartClass("U2", visible=False),
}
BOARD = Board(Circuit(PINS), CLASSES)
SPI = Exercises(frozenset({"U1", "U2"}), frozenset({"CS", "SCK", "M*"}))
SERIAL = Exercises(frozenset({"U1", "U4"}), frozenset({"RX*", "TX"}))


def ran(name: str, passed: bool | None, exercises: Exercises, **more: object) -> StageRun:
    """A stage run in one line."""
    return StageRun(name, passed, exercises, **more)  # type: ignore[arg-type]
