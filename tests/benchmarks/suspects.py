"""How soon the ranking finds a staged solder fault, against walking the failed chip's pins; how long it takes.

`python tests/benchmarks/suspects.py [boards] [pairs]`; JSON on standard output.

Boards are the Tern logger, revision B. Each gets one fault (then: two), drawn evenly over joints and over neighbouring
pins, and a small electrical model decides which stages still work: copper as joined pads, series resistors that
conduct, drivers that fight, chips that run while half of their supply and ground pins hold. That model shares no code
and no figure with the ranking; the shares of the kinds of faults are invented, as no trustworthy ones were found. One
fault in seven comes and goes. Stages whose forerunner failed are not run.

With tests in front: before looking, the measurements that the ranking proposes are done on the electrical model, each
counted as one look; then the looks of the ranking that knows them.

An inspection is one look: at the joint of a pin, at the gap between two pins, at a part, at a supply. Looking at a
joint shows a bridge at it too, for both ways of walking. The other way to walk: the chip of the first failed stage,
first as a whole and then pin by pin in order, then the other parts of that stage, then all other parts. Minutes count
coming to a part, each look, and reflowing where looking does not settle it, with the figures of `defects.toml`.

`best_possible` compares with a bound: every permanent fault of the model is tried, and the looks go through those that
end just like the board, likeliest first, one fault per look. Only more stages or readings could tell those apart.
"""

from __future__ import annotations

import json
import statistics
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from random import Random

from console.boards.circuit import Circuit, Pin
from console.boards.defects import defects
from console.boards.faults import Fault, Kind, possible_faults
from console.boards.implied import implied
from console.boards.netlist import parse_netlist
from console.boards.readback import read_back
from console.boards.splits import Probe, best_split, supply_probes
from console.boards.stagerun import Board, Exercises, Implication, PartClass, StageRun
from console.boards.suspects import Suspects, suspects, weigh

TERN = Path(__file__).resolve().parents[2] / "console/boards/examples/tern_b/tern-b.356"
RAILS = {"GND": 0, "VBUS": 0, "+3V3": 0, "+1V2": 0, "VBAT": 0}
SHARES = {Kind.OPEN: 0.6, Kind.BRIDGE: 0.25, Kind.PART: 0.15}
FLAKY = 1 / 7
BEHAVES = 0.5


@dataclass(frozen=True)
class Stage:
    """A stage as the plan's author writes it (`parts`, `nets`) and as electricity sees it (`paths`).

    `paths` are pairs of pins that must be joined. `chip` is where a person would begin. `bus` names lines by role for a
    stage that reads an identification of `reads` bits.
    """

    name: str
    after: str
    chip: str
    parts: tuple[str, ...]
    nets: tuple[str, ...]
    paths: tuple[tuple[str, str], ...]
    value: int = 0
    width: int = 0
    bus: str = "spi"
    lines: Mapping[str, str] = field(default_factory=dict)

    def exercises(self) -> Exercises:
        names = frozenset({self.chip} if self.width else ())
        return Exercises(frozenset(self.parts), frozenset(self.nets), names=names)


FLASH = {"data-out": "SPI_MISO", "clock": "SPI_SCK", "select": "FLASH_CS", "supply": "+3V3"}
FPGA = {"data-out": "SPI_MISO", "clock": "SPI_SCK", "select": "FPGA_CS", "supply": "+3V3", "reset": "FPGA_RST"}
CLOCK = {"data-out": "I2C_SDA", "clock": "I2C_SCL", "supply": "+3V3", "pull": "I2C_SDA"}
STAGES = (
    Stage("usb enumerates", "", "U1", ("J1", "U1"), ("USB_*",), (("J1.2", "U1.5"), ("J1.3", "U1.4"))),
    Stage(
        "rom loader answers", "usb enumerates", "U4", ("U1", "U4"),
        ("BR_*", "MCU_RX", "MCU_TX", "NRST", "BOOT0"),
        (("U1.17", "U4.31"), ("U1.16", "U4.30"), ("U1.14", "U4.7"), ("U1.15", "U4.44")),
    ),
    Stage(
        "self-test loaded", "rom loader answers", "U4", ("U1", "U4"), ("BR_TXD", "BR_RXD", "MCU_RX", "MCU_TX"),
        (("U1.17", "U4.31"), ("U1.16", "U4.30")),
    ),
    Stage(
        "flash identifies", "self-test loaded", "U6", ("U4", "U6"), ("SPI_*", "FLASH_CS"),
        (("U4.14", "U6.1"), ("U4.15", "U6.6"), ("U4.16", "U6.2"), ("U4.17", "U6.5")), 0xEF4018, 24, "spi", FLASH,
    ),
    Stage(
        "gate array configures", "self-test loaded", "U5", ("U4", "U5"),
        ("SPI_SCK", "SPI_MOSI", "FPGA_CS", "FPGA_RST", "FPGA_DONE"),
        (("U4.15", "U5.15"), ("U4.17", "U5.14"), ("U4.18", "U5.16"), ("U4.21", "U5.8"), ("U4.22", "U5.7")),
    ),
    Stage(
        "gate array identifies", "gate array configures", "U5", ("U4", "U5"), ("SPI_*", "FPGA_CS"),
        (("U4.15", "U5.15"), ("U4.17", "U5.14"), ("U4.18", "U5.16"), ("U4.16", "U5.17")), 0x5A17, 16, "spi", FPGA,
    ),
    Stage(
        "gate array counts its clock", "gate array identifies", "U5", ("U5", "Y1"), ("CLK_FPGA", "OSC_OUT"),
        (("Y1.3", "U5.20"),),
    ),
    Stage(
        "clock chip answers", "self-test loaded", "U7", ("U4", "U7"), ("I2C_*",),
        (("U4.42", "U7.6"), ("U4.43", "U7.5"), ("R11.1", "U4.42"), ("R12.1", "U4.43")), 0xA7, 8, "i2c", CLOCK,
    ),
    Stage(
        "clock chip ticks", "clock chip answers", "U7", ("U4", "U7", "Y2"), ("RTC_*",),
        (("U4.10", "U7.7"), ("U7.1", "Y2.1"), ("U7.2", "Y2.2")),
    ),
    Stage(
        "sensor answers", "self-test loaded", "J3", ("U4", "J3"), ("I2C_*", "PRESSURE_SENSOR_READY"),
        (("U4.42", "J3.3"), ("U4.43", "J3.4"), ("U4.41", "J3.5"), ("R11.1", "U4.42"), ("R12.1", "U4.43")),
    ),
    Stage(
        "radio answers", "self-test loaded", "J4", ("U4", "J4"), ("RADIO_*",),
        (("U4.12", "J4.3"), ("U4.13", "J4.4"), ("U4.29", "J4.5"), ("U4.19", "J4.6")),
    ),
)  # fmt: skip
CLASSES = {
    "U1": PartClass("U1", visible=False, inspect_min=0.6),
    "U5": PartClass("U5", visible=False, inspect_min=0.6),
    "U2": PartClass("U2", "regulator", is_supply=True, makes=frozenset({"+3V3"})),
    "U3": PartClass("U3", "regulator", is_supply=True, makes=frozenset({"+1V2"})),
    "J1": PartClass("J1", "connector", is_supply=True, makes=frozenset({"VBUS"})),
}
# lines that some chip drives all the time once the self-test runs, and those it drives before
DRIVEN = {"FLASH_CS", "FPGA_CS", "FPGA_RST", "SPI_SCK", "SPI_MOSI", "RADIO_TX", "RADIO_POWER_ENABLE", "LED"}
ALWAYS_DRIVEN = {"BR_TXD", "MCU_TX", "OSC_OUT", "CLK_FPGA"}
SUPPLIED_BY = {"+3V3": ("U2", "VBUS"), "+1V2": ("U3", "+3V3"), "VBUS": ("J1", "")}


@dataclass(frozen=True)
class Staged:
    """A fault put on a board: what it is, the pins or the part it sits at, and whether it comes and goes."""

    kind: Kind
    pins: tuple[Pin, ...] = ()
    part: str = ""
    flaky: bool = False


class Copper:
    """The board with its faults, as pads joined by copper and solder."""

    def __init__(self, circuit: Circuit, faults: Sequence[Staged]) -> None:
        self.circuit = circuit
        self.dead = {fault.part for fault in faults if fault.part}
        self.open = {pin.ref for fault in faults if fault.kind is Kind.OPEN for pin in fault.pins}
        self.root: dict[str, str] = {}
        for fault in faults:
            if fault.kind is Kind.BRIDGE:
                self.join(fault.pins[0].net, fault.pins[1].net)
        self.bridged = [{pin.net for pin in fault.pins} for fault in faults if fault.kind is Kind.BRIDGE]

    def find(self, node: str) -> str:
        while node in self.root:
            node = self.root[node]
        return node

    def join(self, one: str, other: str) -> None:
        one, other = self.find(one), self.find(other)
        if one != other:
            self.root[one] = other

    def reaches(self, start: str, goal: str) -> bool:
        """Whether a signal gets from pin to pin, over sound joints and series resistors."""
        begin, end = (self.circuit.pin(*ref.split(".")) for ref in (start, goal))
        assert begin is not None
        assert end is not None
        if {start, goal} & self.open or {begin.part, end.part} & self.dead:
            return False
        seen, waiting = set(), [self.find(begin.net)]
        while waiting:
            net = waiting.pop()
            if net == self.find(end.net):
                return True
            seen.add(net)
            for ref, pins in self.circuit.parts.items():
                if not ref.startswith("R") or ref in self.dead or any(pin.ref in self.open for pin in pins):
                    continue
                ends = [pin.net for pin in pins]
                if any(name in RAILS for name in ends):
                    continue
                far = [name for name in ends if self.find(name) != net]
                if len(far) == 1 and self.find(far[0]) not in seen:
                    waiting.append(self.find(far[0]))
        return False

    def supplied(self, rail: str) -> bool:
        """Whether a rail carries its voltage."""
        maker, source = SUPPLIED_BY[rail]
        if self.find(rail) == self.find("GND"):
            return False
        joints = [pin for pin in self.circuit.parts[maker] if pin.net in (rail, source, "GND")]
        if maker in self.dead or any(pin.ref in self.open for pin in joints if pin.name != "S"):
            return False
        return self.supplied(source) if source else True

    def powered(self, ref: str) -> bool:
        """Whether a chip runs: its rails carry voltage and half of its pins on each of them, and on ground, hold."""
        by_net: dict[str, list[Pin]] = {}
        for pin in self.circuit.parts[ref]:
            if pin.net in ("+3V3", "+1V2", "VBUS", "GND"):
                by_net.setdefault(pin.net, []).append(pin)
        for net, pins in by_net.items():
            if net != "GND" and not self.supplied(net):
                return False
            if 2 * sum(pin.ref in self.open for pin in pins) > len(pins):
                return False
        return True

    def fights(self, used: set[str], loaded: bool) -> bool:
        """Whether a bridge pulls a used line to a rail or to a line that something else drives."""
        for nets in self.bridged:
            rails = nets & RAILS.keys()
            if len(rails) == 2 and not nets & {"VBAT"}:
                return True
            busy = used | ALWAYS_DRIVEN | (DRIVEN if loaded else set())
            if nets & used and (rails or nets <= busy):
                return True
        return False

    def works(self, stage: Stage) -> bool:
        """Whether everything the stage needs is there."""
        if self.dead & set(stage.parts) or not all(self.powered(ref) for ref in stage.parts if ref[0] == "U"):
            return False
        if stage.chip == "J4" and any(self.circuit.pin("J4", pin).ref in self.open for pin in "12"):  # type: ignore[union-attr]
            return False
        if "Y1" in stage.parts and {"Y1.1", "Y1.2", "Y1.4"} & self.open:
            return False
        pulls = {ref.split(".")[0] for path in stage.paths for ref in path if ref[:2] in ("R1",)}
        if any(pull in self.dead or {f"{pull}.1", f"{pull}.2"} & self.open for pull in pulls):
            return False
        ends = [self.circuit.pin(*ref.split(".")) for path in stage.paths for ref in path]
        used = {pin.net for pin in ends if pin is not None}
        loaded = stage.after not in ("", "usb enumerates")
        return all(self.reaches(*path) for path in stage.paths) and not self.fights(used, loaded)

    def reading(self, stage: Stage, random: Random) -> int:
        """What an identification reads as while the stage does not work."""
        ones = (1 << stage.width) - 1
        data = stage.lines["data-out"]
        for nets in self.bridged:
            if data in nets and len(nets) == 2:
                return 0 if "GND" in nets else ones if nets & {"+3V3", "VBUS"} else random.randrange(ones)
        if stage.bus == "i2c" or random.random() < 0.7:
            return ones
        return random.choice((0, random.randrange(ones)))


def all_faults(circuit: Circuit) -> list[tuple[float, Staged]]:
    """Every permanent fault of the model with its chance: even over the joints, gaps or parts of its kind."""
    joints = [pin for pin in circuit.pins if pin.net and len(circuit.nets[pin.net]) > 1 and pin.part[:2] != "TP"]
    gaps = []
    for pins in circuit.parts.values():
        for one, other in pairwise(pins):
            near = abs((one.x_mm or 0) - (other.x_mm or 0)) + abs((one.y_mm or 0) - (other.y_mm or 0)) < 1.3
            if near and one.net and other.net and one.net != other.net:
                gaps.append((one, other))
    parts = [ref for ref in circuit.parts if ref[0] in "URYJ"]
    return [
        *((SHARES[Kind.OPEN] / len(joints), Staged(Kind.OPEN, (pin,))) for pin in joints),
        *((SHARES[Kind.BRIDGE] / len(gaps), Staged(Kind.BRIDGE, pair)) for pair in gaps),
        *((SHARES[Kind.PART] / len(parts), Staged(Kind.PART, (), ref)) for ref in parts),
    ]


def run(random: Random, circuit: Circuit, faults: Sequence[Staged]) -> list[StageRun]:
    """The plan on a board with these faults, stage by stage."""
    out: list[StageRun] = []
    passed = {""}
    for stage in STAGES:
        if stage.after not in passed:
            out.append(StageRun(stage.name, None, stage.exercises()))
            continue
        present = [fault for fault in faults if not (fault.flaky and random.random() < BEHAVES)]
        copper = Copper(circuit, present)
        works = copper.works(stage)
        if works:
            passed.add(stage.name)
        evidence: Implication | None = None
        if not works and stage.width:
            readings = [copper.reading(stage, random)] * 5
            evidence = implied(read_back(stage.value, readings, stage.bus, stage.width), stage.lines, stage.chip)
        out.append(StageRun(stage.name, works, stage.exercises(), evidence))
    return out


Look = tuple[str, frozenset[str]]
NAMES = {Kind.OPEN: "joint", Kind.BRIDGE: "gap"}


def shows(look: Look, fault: Staged) -> bool:
    """Whether a look finds the fault."""
    kind, what = look
    if kind == "joint":
        return fault.kind in (Kind.OPEN, Kind.BRIDGE) and any(pin.ref in what for pin in fault.pins)
    if kind == "gap":
        return fault.kind is Kind.BRIDGE and {pin.ref for pin in fault.pins} == what
    return fault.part in what


def walk(circuit: Circuit, stage: Stage) -> Iterator[Look]:
    """The chip of the stage, pin by pin, then the stage's other parts, then all others."""
    for ref in dict.fromkeys((stage.chip, *stage.parts, *circuit.parts)):
        yield "part", frozenset({ref})
        for pin in dict.fromkeys(circuit.parts[ref]):
            yield "joint", frozenset({pin.ref})


def ranked(found: Suspects) -> Iterator[Look]:
    """The looks that the ranking asks for."""
    for group in found.groups:
        for item in group.items:
            refs = frozenset(pin.ref for pin in item.pins)
            yield NAMES.get(item.kind, "part"), refs or frozenset({group.part})


def looks_until(looks: Sequence[Look], faults: Sequence[Staged]) -> int | None:
    """How many looks until the first of the faults is found; None where it is not."""
    return next((n for n, look in enumerate(looks, 1) if any(shows(look, fault) for fault in faults)), None)


def exactly(looks: Sequence[Look], faults: Sequence[Staged]) -> int | None:
    """The place of the first suspect that is just one of the faults, joint for joint."""
    wanted = [
        (NAMES.get(fault.kind, "part"), frozenset(pin.ref for pin in fault.pins) or frozenset({fault.part}))
        for fault in faults
    ]
    return next((number for number, look in enumerate(looks, 1) if look in wanted), None)


def minutes(board: Board, looks: Sequence[Look]) -> float:
    """What these looks take, in this order."""
    total, here = 0.0, ""
    for kind, what in looks:
        ref = next(iter(sorted(what))).split(".")[0]
        part = board.part(ref)
        missed = 0.4 if kind == "part" else 0.1 if part.visible else 0.5
        total += part.inspect_min + missed * part.reflow_min + (defects().opening_min if ref != here else 0.0)
        here = ref
    return total


@dataclass(frozen=True)
class Walked:
    """One board: how many looks and minutes each way took, and what the ranking said."""

    ours: int
    theirs: int
    our_minutes: float
    their_minutes: float
    exact: int | None
    listed: bool
    tests: int
    looks_with_tests: int
    minutes_with_tests: float
    exact_with_tests: int | None
    first: float
    other: float
    seconds: float


def one_board(board: Board, possible: Sequence[Fault], faults: Sequence[Staged], runs: Sequence[StageRun]) -> Walked:
    """Walk a board that stopped both ways. What the ranking does not list is looked for as the other way does."""
    stopped = next(stage for stage, made in zip(STAGES, runs, strict=True) if made.passed is False)
    begun = time.perf_counter()
    found = suspects(board, runs, faults=possible)
    seconds = time.perf_counter() - begun
    listed = list(ranked(found))
    usual = list(walk(board.circuit, stopped))
    ours = looks_until([*listed, *usual], faults)
    theirs = looks_until(usual, faults)
    assert ours is not None
    assert theirs is not None
    tests, then = tested(board, possible, faults, runs)
    left = [*ranked(then), *usual]
    after = looks_until(left, faults)
    assert after is not None
    return Walked(
        ours,
        theirs,
        minutes(board, [*listed, *usual][:ours]),
        minutes(board, usual[:theirs]),
        exactly(listed, faults),
        ours <= len(listed),
        len(tests),
        len(tests) + after,
        sum(test.minutes for test in tests) + minutes(board, left[:after]),
        exactly(list(ranked(then)), faults),
        next(found.items()).probability,
        found.other,
        seconds,
    )


def tested(
    board: Board, possible: Sequence[Fault], faults: Sequence[Staged], runs: Sequence[StageRun]
) -> tuple[list[Probe], Suspects]:
    """The tests that are proposed one after the other, and the ranking after their answers."""
    copper = Copper(board.circuit, faults)
    known, done = list(runs), list[Probe]()
    while True:
        split = best_split(weigh(board, known, faults=possible), supply_probes(board, known))
        if split is None:
            return done, suspects(board, known, faults=possible)
        net = split.probe.net
        joined = copper.find(net) == copper.find("GND")
        good = not joined if split.probe.key.startswith("ohms") else net not in SUPPLIED_BY or copper.supplied(net)
        known.append(split.probe.run(good))
        done.append(split.probe)


def measure(count: int, faults_each: int, seed: int) -> dict[str, object]:
    """Stage `count` boards that stop, and walk each both ways."""
    circuit = parse_netlist(TERN.read_bytes()).circuit
    board = Board(circuit, CLASSES)
    possible = possible_faults(board, defects())
    chances, every = zip(*all_faults(circuit), strict=True)
    random = Random(seed)
    drawn = 0
    walked: list[Walked] = []
    while len(walked) < count:
        faults = [
            replace(fault, flaky=random.random() < FLAKY) for fault in random.choices(every, chances, k=faults_each)
        ]
        drawn += 1
        runs = run(random, circuit, faults)
        if any(made.passed is False for made in runs):
            walked.append(one_board(board, possible, faults, runs))

    def mean(name: str) -> float:
        return statistics.fmean(getattr(each, name) for each in walked)

    def within(most: int, place: str = "exact") -> float:
        places = [getattr(each, place) for each in walked]
        return round(statistics.fmean(one is not None and one <= most for one in places), 3)

    return {
        "boards": count,
        "faults_each": faults_each,
        "drawn": drawn,
        "exact_first": within(1),
        "exact_in_3": within(3),
        "exact_in_10": within(10),
        "listed": round(mean("listed"), 3),
        "mean_inspections": round(mean("ours"), 2),
        "mean_inspections_walking": round(mean("theirs"), 2),
        "times_fewer": round(mean("theirs") / mean("ours"), 2),
        "median_inspections": statistics.median(each.ours for each in walked),
        "median_inspections_walking": statistics.median(each.theirs for each in walked),
        "not_later_than_walking": round(statistics.fmean(each.ours <= each.theirs for each in walked), 3),
        "mean_minutes": round(mean("our_minutes"), 2),
        "mean_minutes_walking": round(mean("their_minutes"), 2),
        "mean_tests": round(mean("tests"), 2),
        "exact_in_1_3_10_after_the_tests": [within(most, "exact_with_tests") for most in (1, 3, 10)],
        "mean_inspections_with_tests": round(mean("looks_with_tests"), 2),
        "times_fewer_with_tests": round(mean("theirs") / mean("looks_with_tests"), 2),
        "mean_minutes_with_tests": round(mean("minutes_with_tests"), 2),
        "mean_chance_given_to_the_first": round(mean("first"), 3),
        "mean_other": round(mean("other"), 3),
        "ranking_ms_median": round(1000 * statistics.median(each.seconds for each in walked), 1),
    }


def best_possible() -> dict[str, object]:
    """Mean looks over all permanent faults that stop the plan, no read-backs: ours, and the bound."""
    circuit = parse_netlist(TERN.read_bytes()).circuit
    board = Board(circuit, CLASSES)
    possible = possible_faults(board, defects())
    alike: dict[tuple[bool | None, ...], list[tuple[float, Staged]]] = {}
    for chance, fault in all_faults(circuit):
        runs = [replace(made, evidence=None) for made in run(Random(0), circuit, [fault])]
        if any(made.passed is False for made in runs):
            alike.setdefault(tuple(made.passed for made in runs), []).append((chance, fault))
    total = bound = ours = tests = 0.0
    for ends, group in alike.items():
        runs = [StageRun(stage.name, end, stage.exercises()) for stage, end in zip(STAGES, ends, strict=True)]
        for place, (chance, fault) in enumerate(sorted(group, key=lambda item: -item[0]), 1):
            total += chance
            bound += chance * place
            walked = one_board(board, possible, [fault], runs)
            ours += chance * walked.ours
            tests += chance * walked.looks_with_tests
    return {
        "faults": sum(map(len, alike.values())),
        "different_endings": len(alike),
        "mean_inspections": round(ours / total, 2),
        "mean_inspections_with_tests": round(tests / total, 2),
        "mean_inspections_bound": round(bound / total, 2),
        "times_the_bound": round(ours / bound, 3),
    }


def big_board(random: Random, parts: int = 300, pins: int = 2000, chips: int = 24) -> Circuit:
    """A board of that size: square chips of 0.5 mm pitch on random nets, and two-pin parts between them."""
    out: list[Pin] = []
    names = [f"N{number}" for number in range(420)]
    each = (pins - 2 * (parts - chips)) // chips // 4 * 4
    side = each // 4
    for chip in range(chips):
        x, y = chip % 6 * 30.0, chip // 6 * 30.0
        for number in range(each):
            edge, place = divmod(number, side)
            along, away = (place - (side - 1) / 2) * 0.5, side / 4 + 1
            dx, dy = ((along, -away), (away, along), (-along, away), (-away, -along))[edge]
            net = random.choices(("GND", "+3V3", random.choice(names)), (0.1, 0.1, 0.8))[0]
            out.append(Pin(f"U{chip + 1}", str(number + 1), net, x + dx, y + dy, "top"))
    small = parts - chips
    for number in range(small):
        two = ("+3V3", "GND") if number % 2 else tuple(random.sample(names, 2))
        x, y = random.uniform(0, 180), random.uniform(0, 120)
        ref = f"{'C' if number % 2 else 'R'}{number}"
        out += [Pin(ref, "1", two[0], x, y, "top"), Pin(ref, "2", two[1], x + 1.6, y, "top")]
    return Circuit(out)


def big(seed: int) -> dict[str, object]:
    """How long a ranking with double faults takes on a big board with 20 stages, by how many of them failed."""
    random = Random(seed)
    circuit = big_board(random)
    board = Board(circuit)
    stages = [frozenset(random.sample([f"U{number + 1}" for number in range(24)], 3)) for _ in range(20)]
    possible = possible_faults(board, defects())
    begun = time.perf_counter()
    possible_faults(board, defects())
    listing = time.perf_counter() - begun
    spent: dict[int, float] = {}
    proposing: dict[int, float] = {}
    for failed in (1, 3, 6, 10):
        bad = {3, 8, 19, *range(9, 16)} if failed == 10 else set([3, 8, 19, 11, 15, 6][:failed])
        runs = [StageRun(f"stage {n}", n not in bad, Exercises(parts=parts)) for n, parts in enumerate(stages)]
        times = []
        for _ in range(5):
            begun = time.perf_counter()
            suspects(board, runs, faults=possible)
            times.append(time.perf_counter() - begun)
        spent[failed] = round(statistics.median(times), 3)
        case = weigh(board, runs, faults=possible)
        begun = time.perf_counter()
        best_split(case, supply_probes(board, runs))
        proposing[failed] = round(time.perf_counter() - begun, 3)
    return {
        "parts": len(circuit.parts),
        "pins": len(circuit.pins),
        "possible_faults": len(possible),
        "listing_faults_s": round(listing, 3),
        "stages": len(stages),
        "ranking_s_by_failed_stages": spent,
        "proposing_a_test_s_by_failed_stages": proposing,
    }


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    pairs = int(sys.argv[2]) if len(sys.argv) > 2 else 100
    result = {
        "goals": {"times_fewer": 3, "ranking_s": 0.5},
        "one_fault": measure(count, 1, seed=5),
        "best_possible": best_possible(),
        "two_faults_first_found": measure(pairs, 2, seed=6),
        "big_board": big(seed=7),
    }
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
