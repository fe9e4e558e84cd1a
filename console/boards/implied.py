"""From what a read-back shows to what that implies on this board: roles of lines become nets, with chances. Pure.

All chances are those of just the value that was read. A fault of a line gives few values or none in particular, another
part gives its own; so a steady value that is another part's own, and that no line makes of the right one, is that part.
What is said of a line holds for all of it: its nets, the parts in line between them, and what drives it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Final

from console.boards.readback import ENOUGH_READINGS, Findings
from console.boards.stagerun import Board, Implication

# P(a reading of this pattern | a line or part the pattern points at made the stage fail), and for all else: common
# practice, no source
_FITS: Final = 0.5
_OTHERWISE: Final = 0.08
_JOINED: Final = 0.8
# P(a value that is on no list | another part is fitted, and answers)
_ON_NO_LIST: Final = 0.1
# patterns that a dead or missing chip shows too
_DEAD_CHIP: Final = frozenset({"all-ones", "all-zeros", "changing"})
_OTHER_CHIP: Final = "another-known-id"
_IN_LINE: Final = frozenset({"resistor", "inductor", "diode", "switch"})


@dataclass(frozen=True, slots=True)
class _Line:
    """All that carries or makes a signal or a supply."""

    nets: frozenset[str]
    parts: frozenset[str]
    pins: frozenset[str]


def implied(
    findings: Findings, lines: Mapping[str, str], part: str, board: Board, neighbours: Collection[int] = ()
) -> Implication | None:
    """What a wrong reading of `part` implies, or None where nothing points anywhere on the board.

    `lines` gives the net for a role of a line: data-out, clock, select, supply, ground, reset, hold, pull, mode, or
    ``bit 3``. Roles that it does not name are passed over, but the part's own supplies follow from its pins.
    `neighbours` are the values of other parts that are on the board: they alone can answer instead of this one.
    """
    if findings.matches:
        return None
    value = findings.readings[0]
    any_value = 2.0**-findings.width
    nets: dict[str, float] = {}
    rails: dict[str, float] = {}
    pins: dict[str, float] = {}
    joined: dict[frozenset[str], float] = {}
    parts: dict[str, float] = {}
    others: dict[str, float] = {}
    otherwise = _OTHERWISE * any_value
    for pattern in findings.patterns:
        named = [_line(board, lines[role]) for role in pattern.implicates if role in lines]
        chance = _FITS * pattern.share
        if pattern.id == _OTHER_CHIP:
            if findings.stable:
                others[part] = chance
            if value not in neighbours:
                continue
        else:
            otherwise = max(otherwise, _OTHERWISE * pattern.share)
        if pattern.id == "bits-joined":
            pairs = [
                frozenset({a, b})
                for one, other in combinations(named, 2)
                for a in one.nets
                for b in other.nets - one.nets
            ]
            joined |= dict.fromkeys(pairs, _JOINED * pattern.share)
            continue
        if not {"supply", "ground"}.isdisjoint(pattern.implicates):
            feeds = board.feeds(part)
            _most(pins, [pin.ref for feed in feeds.values() for pin in feed.own], chance)
            named += [_line(board, net) for net in feeds if board.is_supply_rail(net)]
        for line in named:
            _most(rails, [net for net in line.nets if board.is_rail(net)], chance)
            _most(nets, [net for net in line.nets if not board.is_rail(net)], chance)
            _most(parts, line.parts, chance)
            _most(pins, line.pins, chance)
        if pattern.id in _DEAD_CHIP:
            _most(parts, (part,), chance)
    if not findings.patterns and len(findings.readings) >= ENOUGH_READINGS:
        others[part] = _ON_NO_LIST * any_value
    if not (nets or rails or pins or joined or parts or others):
        return None

    def least(found: Mapping[str, float]) -> dict[str, float]:
        return {name: max(chance, otherwise) for name, chance in found.items()}

    words = "; ".join(pattern.words for pattern in findings.patterns)
    return Implication(
        words or "a steady value that no line makes of the right one",
        pins=least(pins),
        nets=least(nets),
        rails=least(rails),
        parts=least(parts),
        joined=joined,
        others=others,
        otherwise=otherwise,
    )


def _most(found: dict[str, float], names: Iterable[str], chance: float) -> None:
    for name in names:
        found[name] = max(chance, found.get(name, 0.0))


def _line(board: Board, net: str) -> _Line:
    """A net with those that parts in line join to it, these parts and the pulls, and who makes the clock or the supply
    there."""
    nets, parts, waiting = {net}, set[str](), [net]
    while waiting:
        for pin in board.circuit.nets.get(waiting.pop(), ()):
            ends = {end.net for end in board.circuit.parts[pin.part]}
            if pin.part not in board.small or board.part(pin.part).role not in _IN_LINE:
                continue
            if not board.is_rail(pin.net):
                parts.add(pin.part)
            if len({_carries(board, end) for end in ends}) == 1:
                parts.add(pin.part)
                waiting += ends - nets
                nets |= ends
    for one in nets & board.circuit.nets.keys():
        clocks = [pin.part for pin in board.circuit.nets[one] if board.part(pin.part).is_clock]
        parts.update(board.makers(one) if board.is_rail(one) else clocks)
    pins = [pin.ref for ref in parts for pin in board.circuit.parts[ref]]
    return _Line(frozenset(nets), frozenset(parts), frozenset(pins))


def _carries(board: Board, net: str) -> str:
    """What kind of net it is; a part in line joins two of one kind."""
    if not net or not board.is_rail(net):
        return "signal" if net else ""
    return "supply" if board.is_supply_rail(net) else "ground"
