"""Whom a board's plan suspected when it stopped, as blocks for a report: in the order of looking, visit by visit."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import groupby
from typing import Final

from console.bringup.fold import SuspectState
from console.bringup.history import Stop
from console.report.model import Block, Paragraph, Point, Points
from console.words import count_of, percent

_MOST: Final = 10
SHORT: Final = 3


def suspect_blocks(stop: Stop, fate: Mapping[str, str], most: int = _MOST) -> list[Block]:
    """The first `most` suspects of a stop with reasons and how to look; `fate` says of a key what came of it."""
    if not stop.suspects:
        return [Paragraph("Nobody on the board was suspected.")]
    blocks: list[Block] = []
    shown = stop.suspects[:most]
    for number, (part, items) in enumerate(groupby(shown, key=lambda one: one.part), 1):
        blocks += _visit(number, part, tuple(items), fate)
    rest = [f"none of the known: {percent(stop.other)}"]
    hidden = len(stop.suspects) - len(shown)
    if hidden:
        rest.insert(0, f"{count_of(hidden, 'suspect')} more, each less worth a look")
    return [*blocks, Points(tuple(map(Point, rest)))]


def suspect_points(stop: Stop, fate: Mapping[str, str], most: int) -> Points:
    """The first `most` suspects of a stop, and everybody else who was looked at, with what came of that."""
    shown = [one for at, one in enumerate(stop.suspects) if at < most or one.key in fate]
    points = (Point(one.title, percent(one.probability), (fate[one.key],) if one.key in fate else ()) for one in shown)
    return Points((*points, Point("none of the known", percent(stop.other))), ordered=True)


def _visit(number: int, part: str, items: tuple[SuspectState, ...], fate: Mapping[str, str]) -> Iterator[Block]:
    minutes = max(1, round(sum(one.minutes for one in items)))
    yield Paragraph(f"{number}. {part}, about {minutes} min:")
    for caution in dict.fromkeys(one.caution for one in items if one.caution):
        yield Paragraph(f"Caution: {caution}", "caution")
    yield Points(tuple(_suspect(one, fate.get(one.key, "")) for one in items), ordered=True)


def _suspect(one: SuspectState, fate: str) -> Point:
    more = (*one.why, f"look: {one.look}", *((fate,) if fate else ()))
    return Point(one.title, percent(one.probability), more)
