"""Suspects of a whole board as a section for a report."""

from __future__ import annotations

from typing import Final

from console.boards.suspects import Group, Suspects
from console.report.model import Block, Paragraph, Point, Points, Section
from console.words import count_of, percent

_MOST: Final = 10


def suspects_section(found: Suspects, most: int = _MOST) -> Section:
    """The first `most` suspects in the order of looking, visit by visit, with reasons and how to look."""
    if not found.groups:
        return Section("Suspects", (Paragraph("No stage failed: nothing to look at."),))
    blocks: list[Block] = []
    if found.fewest is not None and found.fewest > 1:
        blocks.append(Paragraph(f"It takes at least {found.fewest} lasting faults to explain what failed."))
    left = most
    for number, group in enumerate(found.groups, 1):
        if left <= 0:
            break
        blocks += _visit(number, group, left)
        left -= len(group.items)
    hidden = max(0, sum(len(group.items) for group in found.groups) - most)
    rest = [f"none of the known: {percent(found.other)}", *found.notes]
    if hidden:
        rest.insert(0, f"{count_of(hidden, 'suspect')} more, each less worth a look")
    return Section("Suspects", (*blocks, Points(tuple(map(Point, rest)))))


def _visit(number: int, group: Group, left: int) -> list[Block]:
    head = f"{number}. {group.part}: {percent(group.probability)} that something there is wrong"
    items = tuple(
        Point(item.title, percent(item.probability), (*item.why, f"look: {item.how_to_look}"))
        for item in group.items[:left]
    )
    cautions = dict.fromkeys(item.caution for item in group.items[:left] if item.caution)
    why = "; ".join(group.why)
    return [
        Paragraph(f"{head}, about {max(1, round(group.minutes))} min{f' ({why})' if why else ''}."),
        *(Paragraph(f"Caution: {caution}", "caution") for caution in cautions),
        Points(items, ordered=True),
    ]
