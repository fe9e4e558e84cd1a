"""Minimal hitting sets: the smallest sets of suspects of which every failed stage needs at least one.

Each failed stage is a conflict: what it needs cannot all be good (de Kleer and Williams, "Diagnosing Multiple Faults",
Artificial Intelligence 32, 1987). Suspects that the same stages need cannot be told apart and stand as one group.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from itertools import combinations
from typing import TypeVar

T = TypeVar("T")


def ambiguity_groups(rows: Sequence[Collection[T]]) -> list[tuple[T, ...]]:
    """Suspects that stand in the same rows, together; in the order in which they first appear."""
    where: dict[T, int] = {}
    for number, row in enumerate(rows):
        for suspect in row:
            where[suspect] = where.get(suspect, 0) | 1 << number
    groups: dict[int, list[T]] = {}
    for suspect, bits in where.items():
        groups.setdefault(bits, []).append(suspect)
    return [tuple(group) for group in groups.values()]


def minimal_hitting_sets(rows: Sequence[Collection[T]], most: int) -> list[frozenset[T]]:
    """All minimal hitting sets of at most `most` members, smallest first.

    Row by row (Berge): sets that hit the next row stay, others get one of its members; what holds a smaller one goes.
    No rows: the empty set alone. An empty row, which nothing can explain: none. Grows with the product of the row
    lengths, so give it one member of each ambiguity group.
    """
    found: list[frozenset[T]] = [frozenset()]
    for row in sorted({frozenset(row) for row in rows}, key=len):
        hit = [chosen for chosen in found if not chosen.isdisjoint(row)]
        longer = {chosen | {new} for chosen in found if chosen.isdisjoint(row) for new in row if len(chosen) < most}
        found = _minimal([*hit, *longer])
    return found


def smallest_hitting_set(rows: Sequence[Collection[T]], most: int) -> frozenset[T] | None:
    """One of the smallest sets that hit every row; None where that takes more than `most` members, or is impossible.

    A suspect that stands in no other rows than another one is left out: the other can always take its place.
    """
    sets = [frozenset(row) for row in rows]
    where = {
        group[0]: frozenset(n for n, row in enumerate(sets) if group[0] in row) for group in ambiguity_groups(sets)
    }
    strong = {one for one, here in where.items() if not any(here < there for there in where.values())}
    for size in range(most + 1):
        found = minimal_hitting_sets([row & strong for row in sets], size)
        if found:
            return found[0]
    return None


def _minimal(sets: Iterable[frozenset[T]]) -> list[frozenset[T]]:
    kept: dict[frozenset[T], None] = {}
    for candidate in sorted(set(sets), key=lambda chosen: (len(chosen), sorted(map(repr, chosen)))):
        smaller = (frozenset(part) for size in range(len(candidate)) for part in combinations(candidate, size))
        if not any(part in kept for part in smaller):
            kept[candidate] = None
    return list(kept)
