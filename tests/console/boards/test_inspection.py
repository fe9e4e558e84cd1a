"""The order of looking against the published rule and against every order."""

from __future__ import annotations

from itertools import permutations
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.inspection import inspection_order

Look = tuple[str, float, float]


def expected_cost(looks: list[Look], opening: float) -> float:
    """Mean cost until the one fault is found, paying `opening` for each change of part."""
    spent, total, here = 0.0, 0.0, ""
    for part, chance, cost in looks:
        spent += cost + (opening if part != here else 0.0)
        total += chance * spent
        here = part
    return total


def flat(suspects: dict[str, list[tuple[float, float]]], opening: float) -> list[Look]:
    return [(part, *suspects[part][n]) for part, places in inspection_order(suspects, opening) for n in places]


def test_without_opening_it_is_chance_over_cost() -> None:
    # Kadane and Simon as cited in arXiv 1203.3502; the values are reasoned, the best of all 720 orders enumerated: 5.04
    chances, costs = (0.30, 0.10, 0.20, 0.15, 0.20, 0.05), (0.5, 0.2, 1.0, 2.0, 6.0, 30.0)
    suspects = {str(n): [(chance, cost)] for n, (chance, cost) in enumerate(zip(chances, costs, strict=True))}
    looks = flat(suspects, 1e-9)
    assert [part for part, _, _ in looks] == ["0", "1", "2", "3", "4", "5"]
    assert expected_cost(looks, 1e-9) == pytest.approx(5.04)


def test_a_part_is_left_where_the_rest_of_it_is_worth_less_and_comes_up_again() -> None:
    suspects = {"U4": [(0.4, 0.3), (0.01, 0.3)], "U2": [(0.2, 0.3)]}
    assert inspection_order(suspects, 0.5) == [("U4", [0]), ("U2", [0]), ("U4", [1])]


def test_a_part_is_not_left_for_a_little() -> None:
    suspects = {"U4": [(0.4, 0.3), (0.1, 0.3)], "U2": [(0.12, 0.3)]}
    assert inspection_order(suspects, 0.5) == [("U4", [0, 1]), ("U2", [0])]


SUSPECTS = st.dictionaries(
    st.sampled_from("ABCDE"), st.lists(st.tuples(st.floats(0, 1), st.floats(0.1, 10)), max_size=5), max_size=5
)


@given(SUSPECTS, st.floats(0.01, 5))
def test_each_suspect_once(suspects: dict[str, list[tuple[float, float]]], opening: float) -> None:
    visits = inspection_order(suspects, opening)
    seen = [(part, n) for part, places in visits for n in places]
    assert sorted(seen) == [(part, n) for part in sorted(suspects) for n in range(len(suspects[part]))]
    assert all(places for _, places in visits)


def test_close_to_the_best_of_all_orders() -> None:
    # every order of five suspects on two or three parts; the rule is a good guess where leaving a part closes it
    random = Random(11)
    ratios = []
    for _ in range(60):
        suspects: dict[str, list[tuple[float, float]]] = {}
        for _ in range(5):
            look = (random.uniform(0.01, 0.4), random.uniform(0.2, 2.0))
            suspects.setdefault(random.choice("ABC"), []).append(look)
        ours = flat(suspects, 0.5)
        ratios.append(expected_cost(ours, 0.5) / min(expected_cost(list(way), 0.5) for way in permutations(ours)))
    assert max(ratios) < 1.1
    assert sum(ratios) / len(ratios) < 1.01
