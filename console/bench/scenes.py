"""Reads and checks `scenes.toml`: which faults and scenes there are, and the setup a scene stands for."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from functools import cache
from importlib import resources
from typing import Final

from console.bench.chips import PRODUCTS
from console.bench.setup import Chatter, Firmware, PortState, Setup
from console.bench.spoils import SPOILS, is_spoil, spoiled
from console.bench.wiring import Adapter, Fitted, Wiring
from console.errors import UsageTrouble
from console.text import clean
from console.tomlfile import Table, parse_toml
from protocols.uart import Frame

FILE: Final = "scenes.toml"
GOOD: Final = "tern-12"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with a board: the properties it changes, the flaw with parameters that it is; and words."""

    id: str
    title: str
    changes: Mapping[str, object]
    flaw: str = ""


@dataclass(frozen=True, slots=True)
class Scene:
    """A board of the story with its faults, flaws with parameters among them.

    `board` names the board file whose whole plan the story follows; "" where it is about the handshake alone.
    """

    name: str
    title: str
    story: str
    faults: tuple[str, ...]
    board: str = ""


@dataclass(frozen=True, slots=True)
class Book:
    """All faults and scenes of a file, by name, in its order."""

    faults: Mapping[str, Fault]
    scenes: Mapping[str, Scene]


def faults() -> tuple[Fault, ...]:
    """Every fault that can be staged."""
    return tuple(_own().faults.values())


def scenes() -> tuple[Scene, ...]:
    """Every scene."""
    return tuple(_own().scenes.values())


def scene(name: str) -> Scene:
    """One scene; raises UsageTrouble `scene` naming those that exist."""
    known = _own().scenes
    if name not in known:
        raise UsageTrouble("scene", f"there is no scene {clean(name, 40)!r}", help=f"choose one of: {', '.join(known)}")
    return known[name]


def fault(name: str) -> Fault:
    """One fault; raises UsageTrouble `fault` naming those that exist."""
    known = _own().faults
    if is_spoil(name):
        return Fault(clean(name, 80), SPOILS[name.partition(":")[0]].title, {}, name)
    if name not in known:
        raise UsageTrouble("fault", f"there is no fault {clean(name, 40)!r}", help=f"choose one of: {', '.join(known)}")
    return known[name]


def setup_for(scene_name: str | None = None, more_faults: tuple[str, ...] = (), chip: str | None = None) -> Setup:
    """The setup of a scene (None = a good board) with more faults added, on a board with this chip of `PRODUCTS`.

    Raises UsageTrouble.
    """
    if chip is not None and chip not in PRODUCTS:
        raise UsageTrouble(
            "chip", f"there is no simulated chip {clean(chip, 40)!r}", help=f"choose one of: {', '.join(PRODUCTS)}"
        )
    setup = Setup() if chip is None else Setup(product=chip)
    for name in (*scene(scene_name or GOOD).faults, *more_faults):
        setup = with_fault(setup, fault(name))
    return setup


def with_fault(setup: Setup, fault: Fault) -> Setup:
    """`setup` with one thing more wrong. Raises UsageTrouble `flaw` for parameters that do not fit."""
    if fault.flaw:
        setup = spoiled(setup, fault.flaw)
    wiring = {key: value for key, value in fault.changes.items() if key in _WIRING}
    rest = {key: value for key, value in fault.changes.items() if key not in _WIRING}
    return replace(setup, wiring=replace(setup.wiring, **wiring), **rest)  # type: ignore[arg-type]


@cache
def _own() -> Book:
    return load(resources.files("console.bench").joinpath(FILE).read_text(encoding="utf-8"), FILE)


# --- checking


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise ValueError("true or false")
    return value


def _between(low: float, high: float) -> Callable[[object], float]:
    def check(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
            raise ValueError(f"a number from {low} to {high}")
        if not low <= value <= high:
            raise ValueError(f"a number from {low} to {high}")
        return float(value)

    return check


def _one_of(kind: type[StrEnum]) -> Callable[[object], object]:
    def check(value: object) -> object:
        if value not in [str(member) for member in kind]:
            raise ValueError(f"one of {', '.join(kind)}")
        return kind(str(value))

    return check


def _frame(value: object) -> Frame:
    if not isinstance(value, str):
        raise ValueError("a character frame such as 8E1")
    return Frame.parse(value)


def _product(value: object) -> str:
    if value not in PRODUCTS:
        raise ValueError(f"one of {', '.join(PRODUCTS)}")
    return str(value)


_WIRING: Final = {field.name for field in fields(Wiring)}
_CHECKS: Final[Mapping[str, Callable[[object], object]]] = {
    "adapter": _one_of(Adapter),
    "attached": _flag,
    "crossed": _flag,
    "ground": _flag,
    "powered": _flag,
    "board_v": _between(1.2, 5.5),
    "adapter_v": _between(1.2, 5.5),
    "chip": _one_of(Fitted),
    "clocked": _flag,
    "loop_back": _flag,
    "connected": _flag,
    "adapter_pull_up": _flag,
    "product": _product,
    "strap_boot": _flag,
    "in_loader": _flag,
    "rate_error": _between(-0.5, 0.5),
    "rate_error_above": _between(0, 12_000_000),
    "adapter_frame": _frame,
    "frame_pinned": _flag,
    "readout_protected": _flag,
    "firmware": _one_of(Firmware),
    "chatter": _one_of(Chatter),
    "port": _one_of(PortState),
    "application_rate": _between(1200, 4_000_000),
    "vanish_after_s": _between(0, 3600),
    "return_after_s": _between(0, 3600),
}


def load(text: str, file: str) -> Book:
    """Read a scenes file. Raises InputTrouble `scenes` with file, line, key, what was found and what would be right."""
    top = parse_toml(text, file, "scenes")
    top.only("fault", "scene")
    known: dict[str, Fault] = {}
    for entry in top.tables("fault", least=0):
        entry.only("id", "title", "set", "flaw")
        changes = _changes(entry.table("set")) if "set" in entry.data or "flaw" not in entry.data else {}
        flaw = entry.plain("flaw") if "flaw" in entry.data else ""
        if flaw:
            _try(entry, flaw)
        name = entry.plain("id")
        if name in known:
            entry.wrong("id", name, "an id that is not used above")
        known[name] = Fault(name, entry.plain("title"), changes, flaw)
    found: dict[str, Scene] = {}
    for entry in top.tables("scene", least=0):
        entry.only("name", "title", "story", "faults", "board")
        name = entry.plain("name")
        if name in found:
            entry.wrong("name", name, "a name that is not used above")
        listed = entry.texts("faults", ())
        if not all(each in known or is_spoil(each) for each in listed):
            entry.wrong("faults", list(listed), "a list of fault ids from this file, or of flaws with their parameters")
        board = entry.plain("board") if "board" in entry.data else ""
        found[name] = Scene(name, entry.plain("title"), entry.plain("story"), listed, board)
    return Book(known, found)


def _try(entry: Table, flaw: str) -> None:
    try:
        spoiled(Setup(), flaw)
    except UsageTrouble as trouble:
        entry.wrong("flaw", flaw, trouble.help)


def _changes(changes: Table) -> dict[str, object]:
    changes.only(*_CHECKS)
    out: dict[str, object] = {}
    for key, value in changes.data.items():
        try:
            out[key] = _CHECKS[key](value)
        except ValueError as error:
            changes.wrong(key, value, str(error))
    return out
