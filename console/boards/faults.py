"""Everything that can be wrong on a board, one by one: open joints, bridges, parts, clocks, supplies. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from console.boards.circuit import Neighbour, Pin
from console.boards.defects import Defect, Defects
from console.boards.stagerun import ROLES, Board, Implication, Reach, Strength
from console.text import clean

# A pad further than so many times the nearest one has another pad in between: solder would join that one first.
_NEXT_ROW: Final = 1.5
_MOST_NEIGHBOURS: Final = 8
_PART_KINDS: Final = (
    dict.fromkeys(ROLES, "part-chip")
    | dict.fromkeys(("resistor", "capacitor", "inductor", "diode"), "part-small")
    | dict.fromkeys(("connector", "switch", "battery"), "part-connector")
)


class Kind(StrEnum):
    """What can be wrong."""

    OPEN = "open joint"
    BRIDGE = "bridge"
    PART = "part"
    CLOCK = "clock"
    RAIL = "supply"
    OTHER = "other part"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that can be wrong. `part` is where to look; `pins` one for an open joint, two for a bridge, none else.

    `net` is the supply that is missing, for Kind.RAIL only. `past`: how often it was met on this design, in words.
    """

    kind: Kind
    defect: Defect
    part: str
    pins: tuple[Pin, ...] = ()
    net: str = ""
    past: str = ""

    @property
    def key(self) -> str:
        """Its name while the netlist stays the same, safe to show: ``open joint U4.12``, ``bridge U4.11 U4.12``."""
        return clean(" ".join((self.kind, *(sorted(pin.ref for pin in self.pins) or [self.net or self.part]))))

    @property
    def nets(self) -> frozenset[str]:
        """The nets it touches by itself."""
        return frozenset({self.net} if self.net else {pin.net for pin in self.pins})

    @property
    def odds(self) -> float:
        """Prior odds that it is there."""
        return self.defect.rate / (1 - self.defect.rate)

    def need(self, reach: Reach, strength: Strength, named: Collection[str] = ()) -> float:
        """P(a stage with this reach fails | this is there and permanent), 0 where the stage does not need it.

        `named` are the parts that said in it which part they are.
        """
        if self.kind is Kind.OTHER:
            return strength.direct if self.part in named else 0.0
        if self.kind is Kind.OPEN:
            return reach.pins.get(self.pins[0], 0.0)
        if self.kind is Kind.RAIL:
            return reach.rails.get(self.net, 0.0)
        if self.kind is not Kind.BRIDGE:
            return reach.parts.get(self.part, 0.0)
        if reach.apart and self.nets == reach.apart:
            return strength.direct
        one, other = self.pins[0].net, self.pins[1].net
        used = (one in reach.nets) + (other in reach.nets)
        supplies = (one in reach.grounded) + (other in reach.grounded)
        if used + supplies == 2:
            return strength.direct
        return strength.one_sided if used else 0.0

    def fit(self, reading: Implication) -> float:
        """P(just this reading | this made the stage fail)."""
        if self.kind is Kind.OTHER:
            return reading.others.get(self.part, reading.otherwise)
        found = [reading.pins[pin.ref] for pin in self.pins if pin.ref in reading.pins]
        found += [reading.nets[net] for net in self.nets if net in reading.nets]
        if self.kind in (Kind.PART, Kind.CLOCK) and self.part in reading.parts:
            found.append(reading.parts[self.part])
        if self.kind is Kind.BRIDGE and self.nets in reading.joined:
            found.append(reading.joined[self.nets])
        return max(found, default=reading.otherwise)


def place_words(part: str, refs: Iterable[str]) -> str:
    """The joints of a fault at `part`, safe to show: ``2``; of a bridge both ends, ``14 to 15`` or ``14 to R9.1``."""
    pins = sorted(refs, key=lambda ref: ref.rpartition(".")[0] != part)
    return clean(" to ".join(ref.rpartition(".")[2] if ref.rpartition(".")[0] == part else ref for ref in pins), 80)


def possible_faults(board: Board, table: Defects) -> tuple[Fault, ...]:
    """Every fault the table knows on this board: a few per pin. Worth keeping while the board is worked on."""
    return (*_joints(board, table), *_parts(board, table), *_rails(board, table))


def _joints(board: Board, table: Defects) -> Iterator[Fault]:
    circuit = board.circuit
    bridged: set[frozenset[str]] = set()
    for pin in circuit.pins:
        if not pin.net or pin is not circuit.pin(pin.part, pin.name):
            continue
        near = circuit.neighbours(pin, table.reach_mm, _MOST_NEIGHBOURS)
        hidden = not board.part(pin.part).visible
        if len(circuit.nets[pin.net]) > 1:
            own = [found.distance_mm for found in near if found.pin.part == pin.part]
            fine = bool(own) and own[0] <= table.fine_mm
            kind = "open-hidden" if hidden else "open-fine" if fine else "open-coarse"
            yield Fault(Kind.OPEN, table.kinds[kind], pin.part, (pin,))
        for found in _adjacent(near):
            pair = frozenset({pin.ref, found.pin.ref})
            if found.pin.net in ("", pin.net) or pair in bridged:
                continue
            bridged.add(pair)
            fine = found.distance_mm <= table.fine_mm
            hidden_pair = fine and (hidden or not board.part(found.pin.part).visible)
            kind = "bridge-hidden" if hidden_pair else "bridge-fine" if fine else "bridge-coarse"
            yield Fault(Kind.BRIDGE, table.kinds[kind], pin.part, (pin, found.pin))


def _adjacent(near: tuple[Neighbour, ...]) -> Iterator[Neighbour]:
    for found in near:
        if found.distance_mm <= _NEXT_ROW * near[0].distance_mm:
            yield found


def _parts(board: Board, table: Defects) -> Iterator[Fault]:
    for ref in board.circuit.parts:
        part = board.part(ref)
        if part.is_clock:
            yield Fault(Kind.CLOCK, table.kinds["clock-dead"], ref)
        elif part.role != "testpoint":
            yield Fault(Kind.PART, table.kinds[_PART_KINDS[part.role]], ref)
            if ref not in board.small:
                yield Fault(Kind.OTHER, table.kinds["part-other"], ref)


def _rails(board: Board, table: Defects) -> Iterator[Fault]:
    for net, pins in board.circuit.nets.items():
        if board.is_supply_rail(net):
            where = next(iter(board.makers(net)), pins[0].part)
            yield Fault(Kind.RAIL, table.kinds["rail-missing"], where, (), net)
