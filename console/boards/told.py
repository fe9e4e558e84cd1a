"""What the suspects of a stop say together, in lines. Every word is safe to show, in a pipe too."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from console.boards.suspects import Suspects
from console.text import clean
from console.words import percent

_WORTH_SAYING: Final = 0.1


def together(found: Suspects) -> Iterator[str]:
    """How many faults it takes, and which parts are likely faulty together; nothing while no stage failed."""
    if found.fewest is None:
        yield "no set of up to four lasting faults explains what failed and what passed: one that comes and goes?"
    elif found.fewest > 1:
        yield f"it takes at least {found.fewest} lasting faults to explain what failed and what passed"
    for explanation in found.explanations:
        if len(explanation.parts) > 1 and explanation.probability >= _WORTH_SAYING:
            names = " and ".join(clean(part) for part in sorted(explanation.parts))
            yield f"{names} faulty together: {percent(explanation.probability)}"
