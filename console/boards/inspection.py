"""In which order to look at suspects that sit on parts, when getting at a part costs time too. Pure arithmetic.

Chance over cost, with the opening cost shared by what is looked at before the part is left: the bottom-up rule for
clusters that need not be closed before trying again (arXiv 1203.3502), one cluster open at a time.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import TypeVar

Part = TypeVar("Part", bound=Hashable)


def inspection_order(
    suspects: Mapping[Part, Sequence[tuple[float, float]]], opening: float
) -> list[tuple[Part, list[int]]]:
    """Visits in order: a part and the positions of its suspects to look at before leaving it.

    `suspects`: by part, pairs of chance and cost. Costs and `opening` in the same unit, above 0. A part comes up again
    where the rest of it is worth less than another part in between. Each suspect comes exactly once.
    """
    left = {part: sorted(range(len(items)), key=lambda n: -_ratio(items[n])) for part, items in suspects.items()}
    best = {part: _best_start(suspects[part], order, opening) for part, order in left.items() if order}
    visits: list[tuple[Part, list[int]]] = []
    while best:
        part = max(best, key=lambda name: best[name])
        del best[part]
        bar = max(best.values(), default=0.0)
        order = left[part]
        count = _start_length(suspects[part], order, opening)
        while count < len(order) and _ratio(suspects[part][order[count]]) >= bar:
            count += 1
        visits.append((part, order[:count]))
        left[part] = order[count:]
        if left[part]:
            best[part] = _best_start(suspects[part], left[part], opening)
    return visits


def _ratio(suspect: tuple[float, float]) -> float:
    return suspect[0] / suspect[1]


def _starts(items: Sequence[tuple[float, float]], order: Sequence[int], opening: float) -> list[float]:
    """Chance over cost of opening the part and looking at the first 1, 2, ... of `order`."""
    chance, cost, out = 0.0, opening, []
    for number in order:
        chance += items[number][0]
        cost += items[number][1]
        out.append(chance / cost)
    return out


def _best_start(items: Sequence[tuple[float, float]], order: Sequence[int], opening: float) -> float:
    return max(_starts(items, order, opening))


def _start_length(items: Sequence[tuple[float, float]], order: Sequence[int], opening: float) -> int:
    starts = _starts(items, order, opening)
    return starts.index(max(starts)) + 1
