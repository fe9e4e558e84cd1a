"""The table behind the plug watch, loaded from `plug.toml` and checked before anything relies on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

from console.causes.rank import NextCheck
from console.tomlfile import Table, parse_toml

FILE: Final = "plug.toml"
# every sign that the fold can see; the table must give each its chances
SIGNS: Final = (
    "nothing",
    "unseen",
    "no-reply",
    "timeout",
    "stall",
    "cannot-enable",
    "unsteady",
    "over-current",
    "power-refused",
    "loop",
    "low-speed",
    "two-sockets",
)


@dataclass(frozen=True, slots=True)
class Suspect:
    """Something that can keep a board off the bus; `prior` is its weight before anything was seen."""

    id: str
    title: str
    prior: float
    reason: str
    provenance: str


@dataclass(frozen=True, slots=True)
class Sign:
    """Something that can be seen; `chance` is P(it shows | suspect) for every suspect."""

    id: str
    words: str
    chance: Mapping[str, float]
    reason: str
    provenance: str


@dataclass(frozen=True, slots=True)
class PlugTable:
    """Suspects and signs by id; `steps` pairs each thing to do with the suspects that it settles."""

    causes: Mapping[str, Suspect]
    signs: Mapping[str, Sign]
    steps: tuple[tuple[NextCheck, frozenset[str]], ...]


@cache
def plug_table() -> PlugTable:
    """The packaged table, loaded once. Raises InputTrouble."""
    return parse(resources.files("console.causes").joinpath(FILE).read_text(encoding="utf-8"))


def parse(text: str, file: str = FILE) -> PlugTable:
    """A table from TOML text. Raises InputTrouble that names file, line, key, what is wrong and what would be right."""
    top = parse_toml(text, file, "plug-table")
    causes: dict[str, Suspect] = {}
    for entry in top.tables("cause"):
        id = _fresh(entry, causes)
        words = (entry.text("title"), entry.number("prior", 0, 1), entry.text("reason"), entry.text("provenance"))
        causes[id] = Suspect(id, *words)
    signs: dict[str, Sign] = {}
    for entry in top.tables("sign"):
        id = _fresh(entry, signs)
        if id not in SIGNS:
            entry.wrong("id", id, f"one of {list(SIGNS)}")
        given = entry.chances("chance", causes)
        chance = {cause: given.get(cause, given["default"]) for cause in causes}
        signs[id] = Sign(id, entry.text("words"), chance, entry.text("reason"), entry.text("provenance"))
    if missing := [id for id in SIGNS if id not in signs]:
        top.wrong("sign", sorted(signs), f"also {missing}")
    steps: dict[str, tuple[NextCheck, frozenset[str]]] = {}
    for entry in top.tables("step"):
        id = _fresh(entry, steps)
        settles = entry.texts("settles")
        for cause in settles or ("",):
            if cause not in causes:
                entry.wrong("settles", cause, "the id of a cause")
        risk = entry.data.get("risk")
        if type(risk) is not int or not 0 <= risk <= 3:
            entry.wrong("risk", risk, "a whole number from 0 to 3")
        caution = entry.text("caution") if "caution" in entry.data or risk else None
        minutes = entry.number("minutes", 0, 600)
        check = NextCheck(id, entry.text("title"), minutes, caution, entry.text("why"), None, risk=risk)
        steps[id] = (check, frozenset(settles))
    covered = {cause for _, settles in steps.values() for cause in settles}
    if left := [cause for cause in causes if cause not in covered]:
        top.wrong("step", sorted(steps), f"a step that settles {left[0]}")
    return PlugTable(causes, signs, tuple(steps.values()))


def _fresh(entry: Table, known: Mapping[str, object]) -> str:
    id = entry.text("id")
    if id in known:
        entry.wrong("id", id, "an id that is used once")
    return id
