"""What a stage of the bring-up plan uses on the board, and how it ended. Pure types, and their meaning on a circuit.

A stage names parts, pins and patterns of net names. From the circuit follows what it needs besides: the joints of the
named parts on those nets, the parts in line, the supply and ground pins, the clock. `Strength` says how surely a fault
at each of them makes the stage fail.
"""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Final, NamedTuple, TypeAlias

from console.boards.circuit import Circuit, Nets, Pin, is_one_of

# names that supply and ground nets usually have, with the sheet's path in front or not: common practice, no source
_SHEET: Final = r"(?:.*/)?"
RAILS: Final = re.compile(
    _SHEET + r"(?:[+-]?P?\d+(?:\.\d+)?V\d*\w*|(?:USB|EXT|SYS|BATT?)_\d+(?:\.\d+)?V\d*|V\d+[PV_.]?\d*"
    r"|[A-Z]{0,3}(?:GND|VSS|VCC|VDD|VEE)\w*|V(?:IN|OUT|IO|PP|BUS|SYS|USB|LOGIC|CORE)|V_?BAT\w*|[+-]?BATT?[+-]?"
    r"|VREF\w*|V[+-]|PWR\w*|0V)",
    re.IGNORECASE,
)
_GROUND: Final = re.compile(_SHEET + r"(?:[A-Z]{0,3}(?:GND|VSS)\w*|VEE\w*|0V|BATT?-)", re.IGNORECASE)
# class letters of reference designators: from memory of IEEE Std 315
_ROLES: Final = {
    "R": "resistor", "RN": "resistor", "C": "capacitor", "L": "inductor", "FB": "inductor", "D": "diode",
    "Q": "transistor", "J": "connector", "P": "connector", "X": "connector", "SW": "switch", "S": "switch",
    "Y": "clock", "VR": "regulator", "BT": "battery", "TP": "testpoint", "U": "chip",
}  # fmt: skip
ROLES: Final = frozenset(_ROLES.values())
_TWO_ROWS: Final = 28  # pins; packages with more mostly have four rows, or power all over
_Need: TypeAlias = Callable[[Pin, float], None]


@dataclass(frozen=True, slots=True)
class PartClass:
    """What kind of part stands at a reference designator.

    `role` is one of ROLES. `visible`: leads that can be seen, or pads hidden under the body. `inspect_min`: minutes to
    look at one joint; `reflow_min`: to go over one joint with the iron. `is_clock`: gives others their clock.
    `is_supply`: makes the rails named in `makes`, or all it touches where none is named. `power_pins`: by name, the
    pins that feed it, where others are only tied to a supply or ground for their level.
    """

    ref: str
    role: str = "chip"
    visible: bool = True
    inspect_min: float = 0.3
    reflow_min: float = 3.0
    is_clock: bool = False
    is_supply: bool = False
    makes: frozenset[str] = frozenset()
    power_pins: frozenset[str] = frozenset()

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
    """What a stage uses: `parts` by designator, `pins` as ``U4.12``, `nets` by name, ``*`` and ``?`` as wild cards.

    `names` are the parts that say in it which part they are. `apart`: pairs of nets that it shows to be joined or not,
    as ohms between them do, and volts on supplies that differ. `fed`: pins at which a supply is measured, on the lead
    itself. `unpowered`: only what joins the nets of `apart` matters, as with ohms on a dead board; `parts` are then
    those it is about.
    """

    parts: frozenset[str] = frozenset()
    nets: frozenset[str] = frozenset()
    pins: frozenset[str] = frozenset()
    names: frozenset[str] = frozenset()
    apart: frozenset[frozenset[str]] = frozenset()
    fed: frozenset[str] = frozenset()
    unpowered: bool = False

    def missing(self, circuit: Circuit) -> tuple[str, ...]:
        """The names that fit nothing on this board, so that whoever read them can say where they stand."""
        pins = {pin.ref for pin in circuit.pins}
        nets = [net for net in self.nets if not any(wild(net).fullmatch(name) for name in circuit.nets)]
        return (*sorted(self.parts - circuit.parts.keys()), *sorted(nets), *sorted(self.pins - pins))


@dataclass(frozen=True, slots=True)
class Implication:
    """What a read-back of a failed stage says: the chance of just this reading, given what is faulty.

    `says` in words (``bit 3 always 0``). Chances in (0, 1] by pin (``U4.12``), net, part, and pair of joined nets; the
    largest that applies to a fault counts, `otherwise` where none does. `rails`: missing or joined to another net; says
    nothing of the joints on them. `others`, by part: with another in its place.
    """

    says: str
    pins: Mapping[str, float] = field(default_factory=dict)
    nets: Mapping[str, float] = field(default_factory=dict)
    rails: Mapping[str, float] = field(default_factory=dict)
    parts: Mapping[str, float] = field(default_factory=dict)
    joined: Mapping[frozenset[str], float] = field(default_factory=dict)
    others: Mapping[str, float] = field(default_factory=dict)
    otherwise: float = 0.05

    def __post_init__(self) -> None:
        """Raises ValueError for a chance that is not in (0, 1]."""
        chances = [
            self.otherwise,
            *self.pins.values(),
            *self.nets.values(),
            *self.rails.values(),
            *self.parts.values(),
            *self.joined.values(),
            *self.others.values(),
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

    @property
    def named(self) -> frozenset[str]:
        """The parts that said which part they are, rightly or not. A stage without an answer is no sign of another."""
        if self.passed:
            return self.exercises.names
        return frozenset() if self.evidence is None else frozenset(self.evidence.others)


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
    in use, `grounded` the supply and ground nets in use, `apart` pairs that must not be joined, all for bridges.
    """

    pins: Mapping[Pin, float]
    parts: Mapping[str, float]
    nets: frozenset[str]
    rails: Mapping[str, float]
    grounded: frozenset[str]
    apart: frozenset[frozenset[str]] = frozenset()


class Feeds(NamedTuple):
    """Pins of a part on one supply or ground: those that bring it in, and those only tied to it for their level."""

    own: list[Pin]
    tied: list[Pin]


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

    def steering(self, rail: str) -> list[Pin]:
        """The pins that set how high a supply is: its makers' feedback or adjust pins, to which a resistor leads from
        the supply, and the resistors there."""
        pins: dict[Pin, None] = {}
        for maker in self.makers(rail):
            for own in self.signals(maker):
                there = dict.fromkeys(pin.part for pin in self.circuit.nets[own.net])
                fitted = [ref for ref in there if ref in self.small and self.part(ref).role == "resistor"]
                ends = [pin for ref in fitted for pin in self.circuit.parts[ref]]
                if any(pin.net == rail for pin in ends):
                    pins |= dict.fromkeys((own, *ends))
        return list(pins)

    def signals(self, ref: str) -> list[Pin]:
        """The pins of a part that carry signals: joined to something and not to a rail."""
        return [pin for pin in self.circuit.parts.get(ref, ()) if pin.net and not self.is_rail(pin.net)]

    def feeds(self, ref: str) -> dict[str, Feeds]:
        """The supply and ground pins of a part, by net. All bring it in where nothing tells them apart: neither the
        part's `power_pins`, nor the places that power has on a package of two rows.
        """
        by_net: dict[str, list[Pin]] = {}
        for pin in self.circuit.parts.get(ref, ()):
            if pin.net and self.is_rail(pin.net):
                by_net.setdefault(pin.net, []).append(pin)
        names = self.part(ref).power_pins or self._usual_power_pins(ref)
        out = {}
        for net, pins in by_net.items():
            own = [pin for pin in pins if pin.name in names] or pins
            out[net] = Feeds(own, [pin for pin in pins if pin not in own])
        return out

    def _usual_power_pins(self, ref: str) -> frozenset[str]:
        """Supply at the last pin, ground at the last of the first row, as logic, memories and oscillators mostly have
        it (common practice, no source); none where this part is not like that."""
        count = len({pin.name for pin in self.circuit.parts[ref]})
        ground, supply = (self.circuit.pin(ref, str(number)) for number in (count // 2, count))
        if self.part(ref).role not in ("chip", "clock") or count % 2 or count > _TWO_ROWS or not supply or not ground:
            return frozenset()
        right = self.is_supply_rail(supply.net) and self.is_rail(ground.net) and not self.is_supply_rail(ground.net)
        return frozenset({ground.name, supply.name} if right else ())

    @cached_property
    def small(self) -> frozenset[str]:
        """The parts that are no chip and have at most two pins, so that they stand in line, across, or on a rail."""
        return frozenset(
            ref
            for ref, pins in self.circuit.parts.items()
            if self.part(ref).role != "chip" and len({pin.name for pin in pins}) <= 2
        )


@cache
def wild(pattern: str) -> re.Pattern[str]:
    """A net pattern with ``*`` and ``?`` as wild cards; all else, brackets too, stands for itself."""
    return re.compile(fnmatch.translate(pattern.replace("[", "[[]")))


def reach(board: Board, exercises: Exercises, strength: Strength) -> Reach:
    """What a stage that uses this needs. Names that the circuit does not know are passed over."""
    circuit = board.circuit
    if exercises.unpowered:
        return Reach({}, {}, frozenset(), {}, frozenset(), exercises.apart)
    chosen = [pin for ref in exercises.pins if (pin := _pin(circuit, ref)) is not None]
    named = exercises.parts & circuit.parts.keys() | {pin.part for pin in chosen}
    patterns = [wild(pattern) for pattern in exercises.nets]
    nets = {name for name in circuit.nets if any(pattern.fullmatch(name) for pattern in patterns)}
    nets |= {pin.net for pin in chosen}
    if len(named) > 1 and not nets:
        nets = _between(board, named)
    nets = {net for net in nets if net and not board.is_rail(net)}
    on_nets = {pin.part for net in nets for pin in circuit.nets[net]}
    in_line = {ref for ref in on_nets if ref in board.small and _all_on(board.signals(ref), nets)}
    parts = (named or {ref for ref in on_nets if ref not in board.small}) | in_line
    pins: dict[Pin, float] = {}

    def need(pin: Pin, chance: float) -> None:
        pins[pin] = max(chance, pins.get(pin, 0.0))

    for net in nets:
        for pin in circuit.nets[net]:
            if pin.part in parts:
                need(pin, strength.direct)
            elif pin.part in board.small:
                for end in circuit.parts[pin.part]:
                    need(end, strength.pull)
    for pin in chosen:
        need(pin, strength.direct)
    for ref in named if not nets else ():
        for pin in board.signals(ref):
            need(pin, strength.whole_part)
    values = {ref: strength.pull if ref in board.small else strength.bystander for ref in on_nets}
    values |= dict.fromkeys(parts, strength.direct)
    fed = [pin for ref in exercises.fed if (pin := _pin(circuit, ref)) is not None]
    rails, grounded = _supplies(board, parts, fed, need, values, strength)
    _clocks(board, parts, nets, need, values, strength)
    return Reach(pins, values, frozenset(nets), rails, grounded, exercises.apart)


def _pin(circuit: Circuit, ref: str) -> Pin | None:
    part, _, name = ref.rpartition(".")
    return circuit.pin(part, name)


def _all_on(pins: list[Pin], nets: set[str]) -> bool:
    return len(pins) > 1 and all(pin.net in nets for pin in pins)


def _between(board: Board, parts: Iterable[str]) -> set[str]:
    """The nets that join the named parts, through parts in line too."""
    named = sorted(parts)
    links = [
        link
        for number, ref in enumerate(named)
        for other in named[number + 1 :]
        for link in board.circuit.pins_between(ref, other, board.small, board.power)
    ]
    return {net for link in links for net in link.nets}


def _supplies(
    board: Board, parts: Iterable[str], fed: Iterable[Pin], need: _Need, values: dict[str, float], strength: Strength
) -> tuple[dict[str, float], frozenset[str]]:
    """Needs the supply and ground pins of the parts, who makes their supplies, and what steers these; gives the
    supplies and all rails.

    A pin that shares its rail with others of the same chip, or is only tied to it, is needed less surely; at a supply
    each has its own task.
    """
    grounded: set[str] = set()
    waiting: list[str] = []
    rails: dict[str, float] = {}

    def used(rail: str) -> None:
        grounded.add(rail)
        if board.is_supply_rail(rail) and rail not in rails:
            rails[rail] = strength.direct
            waiting.append(rail)

    def powered(ref: str) -> None:
        each = board.part(ref).is_supply
        for rail, feeds in board.feeds(ref).items():
            used(rail)
            for pin in feeds.own:
                need(pin, strength.direct if each or len(feeds.own) == 1 else strength.shared)
            for pin in feeds.tied:
                need(pin, strength.direct if each else strength.shared)

    for pin in fed:
        need(pin, strength.direct)
        used(pin.net)
    for ref in parts:
        if ref not in board.small:
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
        for pin in board.steering(rail):
            values[pin.part] = strength.direct
            need(pin, strength.direct)
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
