"""Minimal hitting sets against printed diagnoses and against trying every set."""

from __future__ import annotations

from itertools import combinations

from hypothesis import given
from hypothesis import strategies as st

from console.boards.hitting import ambiguity_groups, minimal_hitting_sets, smallest_hitting_set


def sets(*words: str) -> set[frozenset[str]]:
    return {frozenset(word.split()) for word in words}


def test_the_polybox_has_the_published_diagnoses() -> None:
    # conflicts: de Kleer and Williams, Artificial Intelligence 32 (1987), as in B. C. Williams' lecture MIT 16.412J of
    # 10 March 2004; {A2, M2} is printed there, the other three follow from the conflicts by hand
    conflicts = [{"A1", "M1", "M2"}, {"A1", "A2", "M1", "M3"}]
    assert set(minimal_hitting_sets(conflicts, 4)) == sets("A1", "M1", "A2 M2", "M2 M3")


def test_printed_spectra() -> None:
    # README of the public implementation of MHS2 by Cardoso and Abreu: minimal candidates and ambiguity groups
    assert minimal_hitting_sets([{"c1", "c2"}, {"c1", "c3"}], 3) == [frozenset({"c1"}), frozenset({"c2", "c3"})]
    rows = [{1, 2}, {3, 4}]
    assert set(minimal_hitting_sets(rows, 2)) == {frozenset(pair) for pair in ((1, 3), (1, 4), (2, 3), (2, 4))}
    assert sorted(ambiguity_groups([[1, 2], [3, 4]])) == [(1, 2), (3, 4)]


def test_edges() -> None:
    assert minimal_hitting_sets([], 3) == [frozenset()]
    assert minimal_hitting_sets([{"a"}, set()], 3) == []
    assert minimal_hitting_sets([{"a"}, {"b"}, {"c"}], 2) == []


ROWS = st.lists(st.sets(st.integers(0, 6), max_size=5), max_size=5)


@given(ROWS, st.integers(1, 4))
def test_as_trying_every_set(rows: list[set[int]], most: int) -> None:
    members = sorted(set().union(*rows)) if rows else []
    every = [
        frozenset(chosen)
        for size in range(most + 1)
        for chosen in combinations(members, size)
        if all(not row.isdisjoint(chosen) for row in rows)
    ]
    minimal = {chosen for chosen in every if not any(smaller < chosen for smaller in every)}
    found = minimal_hitting_sets(rows, most)
    assert set(found) == minimal
    assert [len(chosen) for chosen in found] == sorted(len(chosen) for chosen in found)
    smallest = smallest_hitting_set(rows, most)
    assert smallest is None if not found else smallest in minimal and len(smallest) == len(found[0])


@given(ROWS)
def test_groups_share_their_rows(rows: list[set[int]]) -> None:
    groups = ambiguity_groups(rows)
    where = {member: [member in row for row in rows] for row in rows for member in row}
    assert sorted(member for group in groups for member in group) == sorted(where)
    assert all(where[member] == where[group[0]] for group in groups for member in group)
    assert len({tuple(where[group[0]]) for group in groups}) == len(groups)
