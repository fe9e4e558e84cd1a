"""Joints that may be wrong, and the levels they leave on the nets of the Tern's digital parts. Pure.

Rules (derived from circuits; common practice, no source):

1. A supply beats an output, an output beats a pull; among equals low wins.
2. A net that nothing drives is noise, drawn from the seed; with a pull it is the level of the pull.
3. A part lives on one good joint of each of its supplies.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from console.bench import tern
from console.bench.tern import GROUND, SUPPLY


class Pull(StrEnum):
    """What the controller's own input does to the line it listens on."""

    UP = "up"
    DOWN = "down"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Joints:
    """What is wrong on the board: pins that are not soldered, pairs of pins that are joined, parts that are dead."""

    opens: tuple[str, ...] = ()
    bridges: tuple[tuple[str, str], ...] = ()
    dead: tuple[str, ...] = ()
    miso_pull: Pull = Pull.UP
    seed: int = 7

    def mended(self, place: str) -> Joints:
        """With everything put right at a pin (``U6.2``) or at all pins of a part (``U6``), which is replaced."""

        def there(pin: str) -> bool:
            return place in (pin, pin.partition(".")[0])

        return Joints(
            tuple(pin for pin in self.opens if not there(pin)),
            tuple(pair for pair in self.bridges if not any(map(there, pair))),
            tuple(part for part in self.dead if part != place),
            self.miso_pull,
            self.seed,
        )

    def at(self, pin: str) -> list[list[str]]:
        """What eyes find at a pin: itself where it is not soldered, and each pair of pins that solder joins there."""
        opens = [[one] for one in self.opens if one == pin]
        return opens + [list(pair) for pair in self.bridges if pin in pair]

    def exchanged(self, part: str) -> Joints:
        """With a new part in place of a dead one; a part that works is left as it is, joints and all."""
        return self.mended(part) if part in self.dead else self


class _Strength(IntEnum):
    PULL = 1
    OUTPUT = 2
    RAIL = 3


class Nets:
    """Nets as the joints leave them, and who drives them now."""

    def __init__(self, joints: Joints, pins: Mapping[str, str]) -> None:
        self.joints = joints
        self._pins = pins
        self._joined: dict[str, str] = {}
        for a, b in joints.bridges:
            self._joined[self._root(self._own(a))] = self._root(self._own(b))
        self._drivers: dict[str, tuple[_Strength, str, int]] = {}
        self._noise = random.Random(joints.seed)
        self.shorted = self._root(SUPPLY) == self._root(GROUND)

    def _own(self, pin: str) -> str:
        return pin if pin in self.joints.opens else self._pins.get(pin, pin)

    def _root(self, node: str) -> str:
        while node in self._joined and self._joined[node] != node:
            node = self._joined[node]
        return node

    def node(self, pin: str) -> str:
        """What the pin is joined to: its net, or itself where its joint is open; bridges make one of two."""
        return self._root(self._own(pin))

    def joined(self, a: str, b: str) -> bool:
        """Whether current passes between two pins of one net."""
        return self.node(a) == self.node(b)

    def lives(self, part: str) -> bool:
        """Rule 3."""
        if part in self.joints.dead or self.shorted:
            return False
        groups = tern.POWER[part]
        return all(any(f"{part}.{pin}" not in self.joints.opens for pin in group) for group in groups)

    def drive(self, pin: str, level: int | None) -> None:
        """An output takes a level, or lets go."""
        if level is None:
            self._drivers.pop(pin, None)
        else:
            self._drivers[pin] = (_Strength.OUTPUT, self.node(pin), level)

    def level(self, pin: str, pull: Pull = Pull.NONE) -> int | None:
        """The level at a pin, None where nothing drives it; `pull` is one inside the pin's own chip."""
        here = self.node(pin)
        if here in (self._root(SUPPLY), self._root(GROUND)):
            return int(here == self._root(SUPPLY) and not self.shorted)
        there = [(strength, level) for strength, node, level in self._drivers.values() if node == here]
        there += [(_Strength.PULL, 1) for part in tern.PULL_UPS if self._pulls(part, here)]
        if pull is not Pull.NONE:
            there.append((_Strength.PULL, int(pull is Pull.UP)))
        if not there:
            return None
        best = max(strength for strength, _ in there)
        return min(level for strength, level in there if strength == best)

    def read(self, pin: str, pull: Pull = Pull.NONE) -> int:
        """As `level`, with noise where nothing drives (rule 2)."""
        level = self.level(pin, pull)
        return self._noise.randrange(2) if level is None else level

    def _pulls(self, part: str, node: str) -> bool:
        if part in self.joints.dead:
            return False
        return self.node(f"{part}.1") == node and self.node(f"{part}.2") == self._root(SUPPLY)
