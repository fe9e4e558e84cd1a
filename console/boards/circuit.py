"""A board as parts, pins and nets with places: who touches whom, who is joined to whom. Pure; knows no file format."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, NamedTuple, TypeAlias

_CELL_MM: Final = 1.0
# netlists have whole micrometres: a binary fraction must not put a pad beyond a reach that it is just at
_FRACTION_MM: Final = 1e-6
Nets: TypeAlias = "Collection[str] | re.Pattern[str]"


@dataclass(frozen=True, slots=True)
class Pin:
    """One pin of a part, at one place.

    `net` is "" for a pin that is joined to nothing. `x_mm`, `y_mm` are the pad's centre in millimetres, seen from the
    top side, None where unknown. `side` is "top", "bottom", "both" (through-hole), or "" where unknown.
    """

    part: str
    name: str
    net: str
    x_mm: float | None = None
    y_mm: float | None = None
    side: str = ""

    @property
    def ref(self) -> str:
        """Part and pin as one word: ``U4.12``."""
        return f"{self.part}.{self.name}"

    @property
    def place(self) -> tuple[float, float] | None:
        """The pad's centre in mm, or None where it is not known."""
        if self.x_mm is None or self.y_mm is None or not (math.isfinite(self.x_mm) and math.isfinite(self.y_mm)):
            return None
        return self.x_mm, self.y_mm


class Neighbour(NamedTuple):
    """A pin near another one; `distance_mm` is from pad centre to pad centre."""

    pin: Pin
    distance_mm: float


@dataclass(frozen=True, slots=True)
class Link:
    """One way from a pin of one part to a pin of another.

    `pins` are all joints on the way in order, both ends included; `nets` the nets; `through` the series parts passed.
    """

    pins: tuple[Pin, ...]
    nets: tuple[str, ...]
    through: tuple[str, ...] = ()

    @property
    def start(self) -> Pin:
        """The pin at the first part."""
        return self.pins[0]

    @property
    def end(self) -> Pin:
        """The pin at the second part."""
        return self.pins[-1]


class Circuit:
    """The pins of a board, by part, by net and by place.

    `parts` and `nets` keep the order in which the pins were given; pins without a net are in no net. A pin with
    several pads (a shield, a split thermal pad) is there once per pad.
    """

    def __init__(self, pins: Iterable[Pin]) -> None:
        self.pins: Final = tuple(pins)
        parts: dict[str, list[Pin]] = {}
        nets: dict[str, list[Pin]] = {}
        self._by_name: dict[tuple[str, str], Pin] = {}
        self._grid: dict[tuple[int, int], list[Pin]] = {}
        for pin in self.pins:
            parts.setdefault(pin.part, []).append(pin)
            if pin.net:
                nets.setdefault(pin.net, []).append(pin)
            self._by_name.setdefault((pin.part, pin.name), pin)
            if pin.place is not None:
                self._grid.setdefault(_cell(*pin.place), []).append(pin)
        self.parts: Final[Mapping[str, tuple[Pin, ...]]] = _frozen(parts)
        self.nets: Final[Mapping[str, tuple[Pin, ...]]] = _frozen(nets)

    def pin(self, part: str, name: str) -> Pin | None:
        """The pin of that part with that name (its first pad), or None."""
        return self._by_name.get((part, name))

    def neighbours(self, pin: Pin, within_mm: float, most: int | None = None) -> tuple[Neighbour, ...]:
        """The pins at most `within_mm` away from `pin`, nearest first, at most `most` of them.

        Distances are from pad centre to pad centre. Pins on the other side only are left out; a pin whose side is
        unknown counts as being on both. Other pads of the same pin are left out, pins of the same net are not. Empty
        when the place of `pin` is unknown.
        """
        if pin.place is None:
            return ()
        x, y = pin.place
        found = []
        for other in self._around(x, y, within_mm + _FRACTION_MM):
            place = other.place
            if (
                place is None
                or (other.part, other.name) == (pin.part, pin.name)
                or not _share_a_side(pin.side, other.side)
            ):
                continue
            distance = math.hypot(place[0] - x, place[1] - y)
            if distance <= within_mm + _FRACTION_MM:
                found.append(Neighbour(other, distance))
        found.sort(key=lambda near: (near.distance_mm, near.pin.part, near.pin.name))
        return tuple(found if most is None else found[:most])

    def pins_between(self, a: str, b: str, series: Collection[str] = (), power: Nets = ()) -> tuple[Link, ...]:
        """Every way from part `a` to part `b`: over one net, or over nets joined by the parts in `series`.

        `series` names parts to look through (resistors, ferrites, links); only those with exactly two pins count.
        `power` names the supply and ground nets to leave out, as a set of names or a pattern that fits the whole name.
        For each pair of pins the way with the fewest series parts is given; in the order of the pins of `a`.
        """
        out: list[Link] = []
        for start in self._named_pins(a):
            if start.net and not is_one_of(start.net, power):
                out += self._ways(start, b, series, power)
        return tuple(out)

    def _ways(self, start: Pin, target: str, series: Collection[str], power: Nets) -> Iterator[Link]:
        """Breadth first over nets, so that the first way to a pin is the one with the fewest series parts."""
        seen = {start.net}
        waiting: deque[Link] = deque([Link((start,), (start.net,))])
        while waiting:
            way = waiting.popleft()
            for pin in self.nets[way.nets[-1]]:
                if pin is not self._by_name[pin.part, pin.name]:
                    continue
                if pin.part == target and pin.part != start.part:
                    yield Link((*way.pins, pin), way.nets, way.through)
                elif pin.part in series and pin.part != start.part:
                    far = self._far_end(pin)
                    if far is not None and far.net and far.net not in seen and not is_one_of(far.net, power):
                        seen.add(far.net)
                        waiting.append(Link((*way.pins, pin, far), (*way.nets, far.net), (*way.through, pin.part)))

    def _far_end(self, pin: Pin) -> Pin | None:
        both = self._named_pins(pin.part)
        if len(both) != 2:
            return None
        return both[1] if both[0].name == pin.name else both[0]

    def _named_pins(self, part: str) -> list[Pin]:
        """The pins of a part, each once however many pads it has."""
        return [pin for pin in self.parts.get(part, ()) if pin is self._by_name[pin.part, pin.name]]

    def _around(self, x: float, y: float, within_mm: float) -> Iterator[Pin]:
        """All placed pins in the cells that a circle can touch."""
        reach = math.ceil(max(within_mm, 0) / _CELL_MM) if math.isfinite(within_mm) else len(self._grid)
        if (2 * reach + 1) ** 2 >= len(self._grid):
            for pins in self._grid.values():
                yield from pins
            return
        column, row = _cell(x, y)
        for i in range(column - reach, column + reach + 1):
            for j in range(row - reach, row + reach + 1):
                yield from self._grid.get((i, j), ())


def is_one_of(net: str, nets: Nets) -> bool:
    """Whether a net is named by a set of names, or fits a pattern as a whole."""
    return nets.fullmatch(net) is not None if isinstance(nets, re.Pattern) else net in nets


def _cell(x_mm: float, y_mm: float) -> tuple[int, int]:
    return math.floor(x_mm / _CELL_MM), math.floor(y_mm / _CELL_MM)


def _share_a_side(one: str, other: str) -> bool:
    return one == other or not {one, other}.isdisjoint({"both", ""})


def _frozen(groups: dict[str, list[Pin]]) -> Mapping[str, tuple[Pin, ...]]:
    return MappingProxyType({name: tuple(pins) for name, pins in groups.items()})
