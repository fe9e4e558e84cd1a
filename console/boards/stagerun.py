"""What a stage of the bring-up plan uses on the board, and how it ended. Pure types, and their meaning on a circuit.

A stage names parts, pins and patterns of net names. From the circuit follows what it needs besides: the joints of the
named parts on those nets, the parts in line, the supply and ground pins, the clock. `Strength` says how surely a fault
at each of them makes the stage fail.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Final, TypeAlias

from console.boards.circuit import Circuit, Nets, Pin, is_one_of

# names that supply and ground nets usually have: common practice, no source
RAILS: Final = re.compile(
    r"[+-]?\d+V\d*\w*|V\d+[PV_.]?\d*|[ADPS]?(GND|VSS|VCC|VDD|VEE)\w*|GND\w*|VBUS|VBAT\w*|VIN|VOUT|VREF\w*|AGND|PWR\w*|0V",
    re.IGNORECASE,
)
_GROUND: Final = re.compile(r"[ADPS]?GND\w*|[ADPS]?VSS\w*|VEE\w*|0V", re.IGNORECASE)
# class letters of reference designators: from memory of IEEE Std 315
_ROLES: Final = {
    "R": "resistor", "RN": "resistor", "C": "capacitor", "L": "inductor", "FB": "inductor", "D": "diode",
    "Q": "transistor", "J": "connector", "P": "connector", "X": "connector", "SW": "switch", "S": "switch",
    "Y": "clock", "VR": "regulator", "BT": "battery", "TP": "testpoint", "U": "chip",
}  # fmt: skip
ROLES: Final = frozenset(_ROLES.values())
_Need: TypeAlias = Callable[[Pin, float], None]


@dataclass(frozen=True, slots=True)
class PartClass:
    """What kind of part stands at a reference designator.

    `role` is one of ROLES. `visible`: leads that can be seen, or pads hidden under the body. `inspect_min`: minutes to
    look at one joint; `reflow_min`: to go over one joint with the iron. `is_clock`: gives others their clock.
    `is_supply`: makes the rails named in `makes`, or all it touches where none is named.
    """

    ref: str
    role: str = "chip"
    visible: bool = True
    inspect_min: float = 0.3
    reflow_min: float = 3.0
    is_clock: bool = False
    is_supply: bool = False
    makes: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        """Raises ValueError for an unknown role or a time that is not above 0."""
        if self.role not in ROLES:
            raise ValueError(f"role {self.role!r} is none of {sorted(ROLES)}")
        if not self.inspect_min > 0 or not self.reflow_min > 0:
            raise ValueError("minutes must be above 0")


@cache
def guessed_class(ref: str) -> PartClass:
    """The class that the letters of a designator suggest, for parts nobody described. A chip where they say nothing."""
    letters = re.match(r"[A-Za-z]*", ref)
    role = _ROLES.get(letters[0].upper() if letters else "", "chip")
    return PartClass(ref, role, is_clock=role == "clock", is_supply=role in ("regulator", "battery"))


@dataclass(frozen=True, slots=True)
class Exercises:
    """What a stage uses: `parts` by designator, `pins` as ``U4.12``, `nets` by name, ``*`` and ``?`` as wild cards."""

    parts: frozenset[str] = frozenset()
    nets: frozenset[str] = frozenset()
    pins: frozenset[str] = frozenset()

    def missing(self, circuit: Circuit) -> tuple[str, ...]:
        """The names that fit nothing on this board, so that whoever read them can say where they stand."""
        pins = {pin.ref for pin in circuit.pins}
        nets = [net for net in self.nets if not any(wild(net).fullmatch(name) for name in circuit.nets)]
        return (*sorted(self.parts - circuit.parts.keys()), *sorted(nets), *sorted(self.pins - pins))


@dataclass(frozen=True, slots=True)
class Implication:
    """What a read-back of a failed stage says: the chance of just this reading, given what is faulty.

    `says` in words (``bit 3 always 0``). Chances in (0, 1] by pin (``U4.12``), net, part, and pair of joined nets; the
    largest that applies to a fault counts, `otherwise` where none does.
    """

    says: str
    pins: Mapping[str, float] = field(default_factory=dict)
    nets: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, float] = field(default_factory=dict)
    joined: Mapping[frozenset[str], float] = field(default_factory=dict)
    otherwise: float = 0.05

    def __post_init__(self) -> None:
        """Raises ValueError for a chance that is not in (0, 1]."""
        chances = [
            self.otherwise,
            *self.pins.values(),
            *self.nets.values(),
            *self.parts.values(),
            *self.joined.values(),
        ]
        if any(not 0 < chance <= 1 for chance in chances):
            raise ValueError("chances must be above 0 and at most 1")


@dataclass(frozen=True, slots=True)
class StageRun:
    """A stage and how it ended: `passed` None where it was not run, which says nothing about any part."""

    name: str
    passed: bool | None
    exercises: Exercises
    evidence: Implication | None = None


@dataclass(frozen=True, slots=True)
class Strength:
    """P(the stage fails | a permanent fault there), by how the stage needs the place."""

    direct: float
    one_sided: float
    shared: float
    clock: float
    pull: float
    bystander: float
    whole_part: float


@dataclass(frozen=True, slots=True)
class Reach:
    """What a stage needs on a board, each with the chance that a permanent fault there makes it fail.

    `pins` for open joints, `parts` for dead or missing ones, `rails` for missing supplies; `nets` are the signal nets
    in use, `grounded` the supply and ground nets in use, both for bridges.
    """

    pins: Mapping[Pin, float]
    parts: Mapping[str, float]
    nets: frozenset[str]
    rails: Mapping[str, float]
    grounded: frozenset[str]


@dataclass(frozen=True)
class Board:
    """A circuit with what is known of its parts; `power` names its supply and ground nets."""

    circuit: Circuit
    classes: Mapping[str, PartClass] = field(default_factory=dict)
    power: Nets = RAILS

    def part(self, ref: str) -> PartClass:
        """The class of a part, guessed from its designator where it was not given."""
        return self.classes.get(ref) or guessed_class(ref)

    def is_rail(self, net: str) -> bool:
        """Whether a net is a supply or ground."""
        return is_one_of(net, self.power)

    def is_supply_rail(self, net: str) -> bool:
        """Whether a net is a supply, not ground."""
        return self.is_rail(net) and _GROUND.fullmatch(net) is None

    def makers(self, rail: str) -> list[str]:
        """The parts that make a supply."""
        parts = dict.fromkeys(pin.part for pin in self.circuit.nets[rail])
        return [ref for ref in parts if self.part(ref).is_supply and rail in (self.part(ref).makes or (rail,))]

    def signals(self, ref: str) -> list[Pin]:
        """The pins of a part that carry signals: joined to something and not to a rail."""
        return [pin for pin in self.circuit.parts.get(ref, ()) if pin.net and not self.is_rail(pin.net)]

    def is_small(self, ref: str) -> bool:
        """Whether a part is no chip and has no more than two pins, so that it stands in line, across, or on a rail."""
        return self.part(ref).role != "chip" and len({pin.name for pin in self.circuit.parts.get(ref, ())}) <= 2


@cache
def wild(pattern: str) -> re.Pattern[str]:
    """A net pattern with ``*`` and ``?`` as wild cards; all else, brackets too, stands for itself."""
    return re.compile("".join({"*": ".*", "?": "."}.get(char, re.escape(char)) for char in pattern))


def reach(board: Board, exercises: Exercises, strength: Strength) -> Reach:
    """What a stage that uses this needs. Names that the circuit does not know are passed over."""
    circuit = board.circuit
    chosen = [pin for ref in exercises.pins if (pin := _pin(circuit, ref)) is not None]
    named = exercises.parts & circuit.parts.keys() | {pin.part for pin in chosen}
    patterns = [wild(pattern) for pattern in exercises.nets]
    nets = {name for name in circuit.nets if any(pattern.fullmatch(name) for pattern in patterns)}
    nets |= {pin.net for pin in chosen}
    if len(named) > 1 and not nets:
        nets = _between(board, named)
    nets = {net for net in nets if net and not board.is_rail(net)}
    on_nets = {pin.part for net in nets for pin in circuit.nets[net]}
    in_line = {ref for ref in on_nets if board.is_small(ref) and _all_on(board.signals(ref), nets)}
    parts = (named or {ref for ref in on_nets if not board.is_small(ref)}) | in_line
    pins: dict[Pin, float] = {}

    def need(pin: Pin, chance: float) -> None:
        pins[pin] = max(chance, pins.get(pin, 0.0))

    for net in nets:
        for pin in circuit.nets[net]:
            if pin.part in parts:
                need(pin, strength.direct)
            elif board.is_small(pin.part):
                for end in circuit.parts[pin.part]:
                    need(end, strength.pull)
    for pin in chosen:
        need(pin, strength.direct)
    for ref in named if not nets else ():
        for pin in board.signals(ref):
            need(pin, strength.whole_part)
    values = {ref: strength.pull if board.is_small(ref) else strength.bystander for ref in on_nets}
    values |= dict.fromkeys(parts, strength.direct)
    rails, grounded = _supplies(board, parts, need, values, strength)
    _clocks(board, parts, nets, need, values, strength)
    return Reach(pins, values, frozenset(nets), rails, grounded)


def _pin(circuit: Circuit, ref: str) -> Pin | None:
    part, _, name = ref.rpartition(".")
    return circuit.pin(part, name)


def _all_on(pins: list[Pin], nets: set[str]) -> bool:
    return len(pins) > 1 and all(pin.net in nets for pin in pins)


def _between(board: Board, parts: Iterable[str]) -> set[str]:
    """The nets that join the named parts, through parts in line too."""
    named = sorted(parts)
    series = [ref for ref in board.circuit.parts if board.is_small(ref)]
    links = [
        link
        for number, ref in enumerate(named)
        for other in named[number + 1 :]
        for link in board.circuit.pins_between(ref, other, series, board.power)
    ]
    return {net for link in links for net in link.nets}


def _supplies(
    board: Board, parts: Iterable[str], need: _Need, values: dict[str, float], strength: Strength
) -> tuple[dict[str, float], frozenset[str]]:
    """Needs the supply and ground pins of the parts, and who makes their supplies; gives the supplies and all rails.

    A pin that shares its rail with others of the same chip is needed less surely; at a supply each has its own task.
    """
    grounded: set[str] = set()
    waiting: list[str] = []
    rails: dict[str, float] = {}

    def powered(ref: str) -> None:
        by_rail: dict[str, list[Pin]] = {}
        for pin in board.circuit.parts[ref]:
            if pin.net and board.is_rail(pin.net):
                by_rail.setdefault(pin.net, []).append(pin)
        for rail, pins in by_rail.items():
            grounded.add(rail)
            alike = len(pins) > 1 and not board.part(ref).is_supply
            for pin in pins:
                need(pin, strength.shared if alike else strength.direct)
            if board.is_supply_rail(rail) and rail not in rails:
                rails[rail] = strength.direct
                waiting.append(rail)

    for ref in parts:
        if not board.is_small(ref):
            powered(ref)
            continue
        for pin in board.circuit.parts[ref]:  # a lamp's way to ground, a named pull-up's to its supply
            if pin.net and board.is_rail(pin.net):
                need(pin, strength.direct)
    while waiting:
        rail = waiting.pop()
        for ref in board.makers(rail):
            values[ref] = strength.direct
            powered(ref)
    return rails, frozenset(grounded)


def _clocks(
    board: Board, parts: Iterable[str], nets: Iterable[str], need: _Need, values: dict[str, float], strength: Strength
) -> None:
    """Needs the clocks that feed the parts: surely where the stage names the clock's net, else perhaps."""
    used, wanted = set(parts), set(nets)
    for ref in board.circuit.parts:
        if not board.part(ref).is_clock:
            continue
        for out in board.signals(ref):
            users = [pin for pin in board.circuit.nets[out.net] if pin.part in used and pin.part != ref]
            if users:
                chance = strength.direct if out.net in wanted else strength.clock
                values[ref] = max(chance, values.get(ref, 0.0))
                for pin in (out, *users):
                    need(pin, chance)
