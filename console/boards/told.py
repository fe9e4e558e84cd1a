"""Suspects as lines of text and as an object for JSON. Every word of the lines is safe to show, in a pipe too."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

from console.boards.suspects import Group, Suspect, Suspects
from console.text import clean
from console.words import percent

_WORTH_SAYING: Final = 0.1


def as_lines(found: Suspects, most: int = 10) -> list[str]:
    """The first `most` suspects by visit, each with its reasons and how to look; then what is left."""
    if not found.groups and not found.notes:
        return ["no stage failed: nothing to look at"]
    out = list(together(found))
    left = most
    for visit, group in enumerate(found.groups, 1):
        if left <= 0:
            break
        shown = group.items[:left]
        left -= len(shown)
        out += _visit(visit, group, shown)
    hidden = sum(len(group.items) for group in found.groups) - (most - left)
    if hidden:
        out.append(f"and {hidden} more, each less worth a look")
    out.append(f"none of the known: {percent(found.other)}")
    return out + [f"note: {note}" for note in found.notes]


def together(found: Suspects) -> Iterator[str]:
    """How many faults it takes, and which parts are likely faulty together."""
    if found.fewest is None:
        yield "no set of up to four lasting faults explains what failed and what passed: one that comes and goes?"
    elif found.fewest > 1:
        yield f"it takes at least {found.fewest} lasting faults to explain what failed and what passed"
    for explanation in found.explanations:
        if len(explanation.parts) > 1 and explanation.probability >= _WORTH_SAYING:
            names = " and ".join(clean(part) for part in sorted(explanation.parts))
            yield f"{names} faulty together: {percent(explanation.probability)}"


def _visit(number: int, group: Group, shown: tuple[Suspect, ...]) -> Iterator[str]:
    minutes = f"about {max(1, round(group.minutes))} min"
    yield f"{number}. {clean(group.part)}: {percent(group.probability)} that something there is wrong, {minutes}"
    yield from (f"   {line}" for line in group.why)
    caution = ""
    for item in shown:
        yield f"   - {item.title}: {percent(item.probability)}"
        yield from (f"     {line}" for line in item.why)
        yield f"     look: {item.how_to_look}"
        if item.caution != caution:
            caution = item.caution
            yield f"     caution: {caution}"


def as_object(found: Suspects) -> dict[str, Any]:
    """Everything, for JSON. Times in minutes, chances from 0 to 1; names as in the netlist, but safe to show."""
    return {
        "groups": [_group(group) for group in found.groups],
        "other": found.other,
        "unlisted": found.unlisted,
        "explanations": [
            {"parts": [clean(part) for part in sorted(item.parts)], "probability": item.probability}
            for item in found.explanations
        ],
        "fewest_faults": found.fewest,
        "notes": list(found.notes),
    }


def _group(group: Group) -> dict[str, Any]:
    dstar = group.spectrum.dstar()
    return {
        "part": clean(group.part),
        "probability": group.probability,
        "minutes": group.minutes,
        "nets": [clean(net) for net in group.nets],
        "why": list(group.why),
        "ochiai": group.spectrum.ochiai,
        "tarantula": group.spectrum.tarantula,
        "dstar": dstar if dstar != float("inf") else None,
        "suspects": [_suspect(item) for item in group.items],
    }


def _suspect(item: Suspect) -> dict[str, Any]:
    return {
        "key": item.key,
        "kind": item.kind.value,
        "title": item.title,
        "pins": [clean(pin.ref) for pin in item.pins],
        "probability": item.probability,
        "minutes": item.minutes,
        "why": list(item.why),
        "look": item.how_to_look,
        "caution_id": item.caution_id,
        "caution": item.caution,
    }
