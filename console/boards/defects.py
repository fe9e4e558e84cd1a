"""How often joints and parts are bad: the table in `defects.toml`, checked, and corrected by the bench's own counts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cache
from importlib import resources
from typing import Final

from console.boards.stagerun import Strength
from console.causes.learning import learned_chance
from console.tomlfile import Table, parse_toml

FILE: Final = "defects.toml"
IDS: Final = (
    "open-hidden",
    "open-fine",
    "open-coarse",
    "bridge-fine",
    "bridge-hidden",
    "bridge-coarse",
    "part-chip",
    "part-other",
    "part-small",
    "part-connector",
    "clock-dead",
    "rail-missing",
)


@dataclass(frozen=True, slots=True)
class Defect:
    """One kind of fault. `rate`, `flaky`, `behaves`, `missed` are chances; see the head of the table in the file."""

    id: str
    title: str
    rate: float
    flaky: float
    behaves: float
    missed: float
    look: str
    caution_id: str
    caution: str
    reason: str
    provenance: str

    @property
    def modes(self) -> tuple[tuple[float, float], ...]:
        """How such faults behave: pairs of P(no harm in a stage that needs it) and the share of faults like that."""
        return (0.0, 1 - self.flaky), (self.behaves, self.flaky)


@dataclass(frozen=True, slots=True)
class Defects:
    """All kinds of faults by id, with the figures they share. Lengths in mm, times in minutes."""

    kinds: Mapping[str, Defect]
    strength: Strength
    leak: float
    unlisted: float
    unlisted_more: float
    worth: float
    place_worth: float
    fine_mm: float
    reach_mm: float
    opening_min: float

    def learned(self, counts: Mapping[str, tuple[float, float]]) -> Defects:
        """The table after the bench's own counts: by kind, how many were bad and how many there were in all.

        Count only what was confirmed on real boards. Kinds nobody knows are ignored. Raises ValueError for more bad
        ones than there were.
        """
        kinds = {
            id: replace(kind, rate=learned_chance(kind.rate, *counts[id], self.worth)) if id in counts else kind
            for id, kind in self.kinds.items()
        }
        return replace(self, kinds=kinds)


@cache
def defects() -> Defects:
    """The packaged table, loaded once. Raises InputTrouble."""
    return parse(resources.files("console.boards").joinpath(FILE).read_text(encoding="utf-8"))


def parse(text: str, file: str = FILE) -> Defects:
    """A table from TOML text. Raises InputTrouble with file, line, key, what was found and what would be right."""
    top = parse_toml(text, file, "defects")
    kinds: dict[str, Defect] = {}
    for entry in top.tables("defect"):
        kind = _kind(entry)
        if kind.id not in IDS or kind.id in kinds:
            entry.wrong("id", kind.id, f"each of {list(IDS)} once")
        kinds[kind.id] = kind
    if kinds.keys() != set(IDS):
        missing = [id for id in IDS if id not in kinds]
        top.wrong("defect", f"nothing for {', '.join(missing)}", "a [[defect]] for each kind")
    strength = top.table("strength")
    return Defects(
        kinds,
        Strength(**{field.name: _chance(strength, field.name) for field in fields(Strength)}),
        leak=_chance(top, "leak"),
        unlisted=_chance(top, "unlisted"),
        unlisted_more=_chance(top, "unlisted_more"),
        worth=top.number("worth", 0, 1_000_000),
        place_worth=top.number("place_worth", 1, 1_000_000),
        fine_mm=top.number("fine_mm", 0, 10),
        reach_mm=top.number("reach_mm", 0, 10),
        opening_min=top.number("opening_min", 0, 60),
    )


def _kind(entry: Table) -> Defect:
    return Defect(
        id=entry.text("id"),
        title=entry.text("title"),
        rate=_chance(entry, "rate"),
        flaky=_chance(entry, "flaky"),
        behaves=_chance(entry, "behaves"),
        missed=_chance(entry, "missed"),
        look=entry.text("look"),
        caution_id=entry.text("caution_id"),
        caution=entry.text("caution"),
        reason=entry.text("reason"),
        provenance=entry.text("provenance"),
    )


def _chance(table: Table, key: str) -> float:
    """A number above 0 and below 1: nothing on a board is certain. Raises InputTrouble."""
    value = table.number(key, 0, 1)
    if value == 1:
        table.wrong(key, value, "a number above 0 and below 1")
    return value
