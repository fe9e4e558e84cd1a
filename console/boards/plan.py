"""The bring-up plan of a board: its stages, what each needs and uses, and which count again after a repair. Pure.

The file it comes from is read by `board_file.py`; who carries it out is no business of this room.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from console.boards.circuit import Pin
from console.boards.defects import Defects, defects
from console.boards.faults import Fault, Kind, possible_faults
from console.boards.limits import Expected, Limits
from console.boards.misreads import Bus
from console.boards.netlist import Netlist
from console.boards.past import Past, learned
from console.boards.reasons import title
from console.boards.stagerun import Board, Exercises, reach
from console.boards.template import Template
from console.images.image import Image
from console.programming.chips import Chip
from console.text import clean


class Work(StrEnum):
    """What is done in a stage."""

    INSPECT = "inspect"
    MEASURE = "measure"
    CONTINUITY = "continuity"
    ENUMERATE = "enumerate"
    LISTEN = "listen"
    SYNC = "sync"
    IDENTIFY = "identify"
    ERASE = "erase"
    WRITE = "write"
    VERIFY = "verify"
    START = "start"
    QUERY = "query"
    CONFIRM = "confirm"


BY_HAND: Final = frozenset({Work.INSPECT, Work.MEASURE, Work.CONTINUITY, Work.CONFIRM})
"""Done by the operator, who tells what it showed."""
CONTENT: Final = frozenset({Work.ERASE, Work.WRITE, Work.VERIFY})
MOST_STAGES: Final = 500  # as many as a record is read back with
"""About what the chip holds, which stays when the power goes."""
PASSING: Final = frozenset({Work.SYNC, Work.IDENTIFY, Work.START})
"""Their effect is gone with the power, or when the chip goes on to something else."""


@dataclass(frozen=True, slots=True)
class Wire:
    """A wire between adapter and board: the adapter's end, the pin on the board, the net there."""

    adapter: str
    pin: str
    net: str


@dataclass(frozen=True, slots=True)
class Port:
    """How a port is opened: `baud`, `frame` as in 8E1. `reset_line`, `strap_line`: dtr, rts, or "" (by hand)."""

    baud: int
    frame: str
    reset_line: str = ""
    strap_line: str = ""


@dataclass(frozen=True, slots=True)
class Rail:
    """A supply net, what it should carry, and where a probe finds it."""

    net: str
    limits: Limits
    at: str


@dataclass(frozen=True, slots=True)
class ImageOf:
    """A firmware image, its `role`, the chip it goes into, and the part that chip is."""

    role: str
    image: Image
    chip: Chip
    part: str


@dataclass(frozen=True, slots=True)
class IdAnswer:
    """An identification in an answer: field `name` of the reply should be `expected`, read from `part` over `bus`.

    `lines` gives the net for each role of a line (`implied.py`); `known` and `locked` name other values.
    """

    name: str
    expected: bytes
    part: str
    bus: Bus
    lines: Mapping[str, str]
    revision_mask: int = 0
    known: Mapping[int, str] = field(default_factory=dict)
    locked: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Query:
    """What is sent, how the answer looks, what it should say. `within_s` is how long the board may take."""

    send: bytes
    reply: Template
    expected: Mapping[str, Expected]
    within_s: float
    id: IdAnswer | None = None


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage. `look` says what to look at or where to measure; `after` are the stages that must have passed.

    Of the rest, what its work needs: `limits` of a reading, `between` the two places of a continuity check, `nets` that
    a reading is taken on, `seconds` to wait or listen, `hears` whether bytes are wanted, `usb` ids of the bridge,
    `products` ids of the chip, the `image` by role, `starts_at` an address, and the `query`. `power`: on (True), off,
    or either (None).
    """

    id: str
    work: Work
    title: str
    exercises: Exercises
    after: tuple[str, ...] = ()
    look: str = ""
    hot: bool = False
    power: bool | None = True
    limits: Limits | None = None
    nets: tuple[str, ...] = ()
    between: tuple[str, str] | None = None
    seconds: float = 0.0
    hears: bool = False
    usb: tuple[int, int] | None = None
    products: tuple[int, ...] = ()
    image: str = ""
    starts_at: int | None = None
    query: Query | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """A board file, checked. `has_cell`: a cell or battery is fitted, which must come out before any soldering.

    `application` is how the port is opened for queries. `digest` tells one state of the file from another.
    """

    file: str
    name: str
    revision: str
    netlist: Netlist
    board: Board
    loader: Port
    application: Port
    family: str
    wires: tuple[Wire, ...]
    rails: tuple[Rail, ...]
    images: Mapping[str, ImageOf]
    stages: tuple[Stage, ...]
    has_cell: bool = False
    notes: tuple[str, ...] = ()
    digest: str = ""

    def stage(self, id: str) -> Stage:
        """The stage of that name. Raises KeyError."""
        return self._by_id()[id]

    def way_to(self, id: str, passed: Collection[str], live: Collection[str]) -> list[Stage]:
        """What must run, in order, until `id` has run: what has not passed, and what has but whose effect is gone.

        `live`: stages of PASSING whose effect lasts now. Ends with `id` itself.
        """
        wanted: set[str] = set()
        waiting = [id]
        while waiting:
            one = waiting.pop()
            wanted.add(one)
            for needed in self.stage(one).after:
                gone = self.stage(needed).work in PASSING and needed not in live
                if needed not in wanted and (gone or needed not in passed):
                    waiting.append(needed)
        return [stage for stage in self.stages if stage.id in wanted]

    def _by_id(self) -> dict[str, Stage]:
        return {stage.id: stage for stage in self.stages}


@dataclass(frozen=True, slots=True)
class Repair:
    """What was worked on: `parts`, `pins` as ``U5.17``, whether a part was `replaced`. `key` is the suspect's."""

    key: str
    title: str
    parts: frozenset[str]
    pins: frozenset[str]
    replaced: bool = False


def repair_of(fault: Fault, title: str) -> Repair:
    """The work that mends a fault: a joint or a bridge at its pins; else the part."""
    if fault.kind in (Kind.OPEN, Kind.BRIDGE):
        pins = frozenset(pin.ref for pin in fault.pins)
        return Repair(fault.key, title, frozenset(pin.part for pin in fault.pins), pins)
    return Repair(fault.key, title, frozenset({fault.part}), frozenset(), replaced=True)


def repair_told(plan: Plan, faults: Collection[Fault], words: str, looked_at: Fault) -> Repair:
    """What a person found wrong beside the suspect they looked at, from their words, in which pins and parts may stand:
    one pin is a joint, two are joined by solder. Words that name no place of this board mean the suspect's own part.
    """
    circuit = plan.board.circuit
    named = [word.strip(".,;:()") for word in words.split()]
    pins = frozenset(pin.ref for pin in circuit.pins if pin.ref in named)
    kind = {1: Kind.OPEN, 2: Kind.BRIDGE}.get(len(pins))
    for fault in faults:
        if fault.kind is kind and pins == {pin.ref for pin in fault.pins}:
            return repair_of(fault, title(fault))
    parts = {ref.rpartition(".")[0] for ref in pins} | (circuit.parts.keys() & set(named)) or {looked_at.part}
    return Repair(f"told at {looked_at.key}", clean(words, 200), frozenset(parts), pins)


def again_after(plan: Plan, repair: Repair, table: Defects | None = None) -> tuple[str, ...]:
    """The stages whose result no longer stands, in order: what they use was worked on, or lies so near that it may
    have been bridged. What the chip holds stays proven unless that chip itself was replaced.
    """
    table = table or defects()
    pins = _near(plan, repair, table.reach_mm)
    nets = {pin.net for pin in pins if pin.net}
    out = []
    for stage in plan.stages:
        if stage.work in CONTENT:
            if repair.replaced and plan.images[stage.image].part in repair.parts:
                out.append(stage.id)
            continue
        used = reach(plan.board, stage.exercises, table.strength)
        if (
            pins & used.pins.keys()
            or nets & (used.nets | set(stage.nets))
            or repair.parts & stage.exercises.parts
            or (repair.replaced and repair.parts & used.parts.keys())
        ):
            out.append(stage.id)
    return tuple(out)


def _near(plan: Plan, repair: Repair, within_mm: float) -> frozenset[Pin]:
    """The pins worked on, and those that solder can have run to."""
    circuit = plan.board.circuit
    own = [
        pin for part in repair.parts for pin in circuit.parts.get(part, ()) if repair.replaced or pin.ref in repair.pins
    ]
    near = [found.pin for pin in own for found in circuit.neighbours(pin, within_mm)]
    return frozenset((*own, *near))


def faults_of(plan: Plan, past: Past | None = None) -> tuple[Fault, ...]:
    """Everything that can be wrong on the board; worth keeping while the plan runs. `past`: the bench's own boards."""
    found = possible_faults(plan.board, defects())
    return found if past is None else learned(found, past, defects())
