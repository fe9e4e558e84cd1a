"""Orders of repair, stopping and checks against small cases whose every order can be listed.

The rule (chance over cost) is published: Kadane and Simon as cited in arXiv 1203.3502; Kalagnanam and Henrion, arXiv
1304.2362. The numbers of the cases are reasoned (common practice, no source); their values were computed apart from
this code, with all orders enumerated.
"""

from __future__ import annotations

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.cost import (
    after_failed,
    best_order,
    entropy,
    information,
    inspect_and_repair_cost,
    look_ahead,
    noisy_or,
    prefix_cost,
    repair_cost,
    stop_scan,
)

THREE = ((0.6, 0.3, 0.1), (6.0, 1.0, 2.0))
SIX = ((0.30, 0.10, 0.20, 0.15, 0.20, 0.05), (0.5, 0.2, 1.0, 2.0, 6.0, 30.0))


def ordered(case: tuple[tuple[float, ...], tuple[float, ...]], order: str) -> float:
    index = ["abcdef".index(letter) for letter in order]
    return repair_cost([case[0][i] for i in index], [case[1][i] for i in index])


@pytest.mark.parametrize(
    ("order", "cost"), [("bac", 5.4), ("bca", 6.0), ("cba", 6.5), ("abc", 6.6), ("acb", 7.1), ("cab", 7.7)]
)
def test_three_actions_in_every_order(order: str, cost: float) -> None:
    assert ordered(THREE, order) == pytest.approx(cost)


def test_the_most_probable_cause_is_not_tried_first() -> None:
    assert best_order(*THREE) == [1, 0, 2]


def test_six_bench_actions() -> None:
    assert best_order(*SIX) == [0, 1, 2, 3, 4, 5]
    costs = {"".join(order): ordered(SIX, "".join(order)) for order in permutations("abcdef")}
    assert min(costs, key=lambda order: costs[order]) == "abcdef"
    assert costs["abcdef"] == pytest.approx(5.04)
    assert costs["bacdef"] == pytest.approx(5.05)  # cheapest first
    assert costs["acedbf"] == pytest.approx(6.33)  # most probable first
    assert costs["fedcba"] == pytest.approx(38.03) == max(costs.values())
    assert sum(costs.values()) / 720 == pytest.approx(21.535)


@pytest.mark.parametrize(("give_up", "count", "cost"), [(5, 3, 3.24), (15, 5, 4.29), (40, 6, 5.04)])
def test_giving_up(give_up: float, count: int, cost: float) -> None:
    best, tried = stop_scan(*SIX, give_up)
    assert tried == count
    assert best == pytest.approx(cost, abs=0.005)
    assert prefix_cost(*SIX, give_up, count) == pytest.approx(best)


X, Y, Z = (0.5, 1, 20), (0.3, 1, 1), (0.2, 2, 1)
P, Q, R = (0.5, 2, 10), (0.3, 1, 4), (0.2, 4, 1)


@pytest.mark.parametrize(
    ("parts", "last_unseen", "cost"),
    [
        ((X, Y, Z), False, 12.4),
        ((Y, X, Z), False, 12.6),
        ((X, Z, Y), False, 12.8),
        ((Y, Z, X), False, 13.4),
        ((Z, X, Y), False, 13.6),
        ((Z, Y, X), False, 13.8),
        ((Q, P, R), False, 9.6),
        ((P, Q, R), False, 9.7),
        ((P, R, Q), False, 10.7),
        ((Q, R, P), False, 11.2),
        ((R, Q, P), False, 12.2),
        ((R, P, Q), False, 12.3),
        ((Q, P, R), True, 8.8),
        ((P, Q, R), True, 8.9),
        ((Q, R, P), True, 10.2),
        ((P, R, Q), True, 10.4),
        ((R, Q, P), True, 11.2),
        ((R, P, Q), True, 12.0),
    ],
)
def test_look_then_repair(parts: tuple[tuple[float, float, float], ...], last_unseen: bool, cost: float) -> None:
    chances, looks, repairs = zip(*parts, strict=True)
    assert inspect_and_repair_cost(chances, looks, repairs, last_unseen) == pytest.approx(cost)


# causes, cost of fixing and trying again; checks: cost, P(first outcome | cause), cost with it, net gain, bits
ACT_NOW = (
    (0.30, 0.25, 0.15, 0.20, 0.10),
    (0.5, 1.0, 2.0, 6.0, 3.0),
    4.20,
    2.2282,
    [
        (1.0, (0.98, 0.98, 0.98, 0.98, 0.02), 4.3230, -0.1230, 0.3763),
        (1.0, (0.95, 0.03, 0.10, 0.95, 0.95), 4.4038, -0.2038, 0.6844),
        (1.5, (0.95, 0.90, 0.05, 0.95, 0.90), 5.0438, -0.8438, 0.3766),
    ],
)
CHECK_PAYS = (
    (0.25, 0.30, 0.30, 0.15),
    (1.0, 6.0, 12.0, 30.0),
    15.40,
    1.9527,
    [
        (1.5, (0.98, 0.98, 0.03, 0.90), 13.6450, 1.7550, 0.6946),
        (1.0, (0.03, 0.97, 0.30, 0.95), 15.0020, 0.3980, 0.5830),
        (3.0, (0.97, 0.10, 0.97, 0.97), 16.7890, -1.3890, 0.5932),
    ],
)


def least(chances: tuple[float, ...] | list[float], costs: tuple[float, ...]) -> float:
    order = best_order(chances, costs)
    return repair_cost([chances[i] for i in order], [costs[i] for i in order])


@pytest.mark.parametrize("case", [ACT_NOW, CHECK_PAYS])
def test_whether_a_check_pays(case: tuple[tuple[float, ...], tuple[float, ...], float, float, list]) -> None:  # type: ignore[type-arg]
    chances, costs, now, bits, checks = case
    assert least(chances, costs) == pytest.approx(now)
    assert entropy(chances) == pytest.approx(bits, abs=1e-4)
    for cost, row, expected, gain, told in checks:
        branches = []
        for likelihood in (row, tuple(1 - p for p in row)):
            joint = [p * q for p, q in zip(chances, likelihood, strict=True)]
            branches.append((sum(joint), least([p / sum(joint) for p in joint], costs)))
        found = look_ahead(cost, branches)
        assert found == pytest.approx(expected, abs=1e-4)
        assert now - found == pytest.approx(gain, abs=1e-4)
        assert information(chances, [row, tuple(1 - p for p in row)]) == pytest.approx(told, abs=1e-4)


def test_chances_after_a_failed_loopback_and_a_rail_reading() -> None:
    chances, costs = ACT_NOW[:2]
    row = [1 - p for p in ACT_NOW[4][0][1]]
    joint = [p * q for p, q in zip(chances, row, strict=True)]
    assert sum(joint) == pytest.approx(0.1160)
    after = [p / sum(joint) for p in joint]
    assert after == pytest.approx([0.0517, 0.0431, 0.0259, 0.0345, 0.8448], abs=1e-4)
    assert least(after, costs) == pytest.approx(3.5086, abs=1e-4)
    chances, costs = CHECK_PAYS[:2]
    row = list(CHECK_PAYS[4][0][1])
    joint = [p * q for p, q in zip(chances, row, strict=True)]
    assert sum(joint) == pytest.approx(0.683)
    assert [p / sum(joint) for p in joint] == pytest.approx([0.3587, 0.4305, 0.0132, 0.1977], abs=1e-4)
    assert least([p / sum(joint) for p in joint], costs) == pytest.approx(11.3309, abs=1e-4)


def test_a_repair_that_may_fail() -> None:
    # Bayes' rule by hand: 0.5 * 0.2 / 0.6 and 0.5 / 0.6
    assert after_failed([0.5, 0.5], 0, 0.8) == pytest.approx([1 / 6, 5 / 6])
    assert sum(after_failed([0.2, 0.3, 0.5], 2, 0.9)) == pytest.approx(1)


# noisy-or: three causes that silence a board, leak 0.02; and the well-known net cold, flu, malaria with inhibitions
# 0.6, 0.2, 0.1 (Russell and Norvig, from memory)
@pytest.mark.parametrize(
    ("present", "expected"),
    [
        ((), 0.02),
        ((0.99,), 0.9902),
        ((0.95,), 0.951),
        ((0.95, 0.99), 0.99951),
        ((0.98,), 0.9804),
        ((0.98, 0.99), 0.999804),
        ((0.98, 0.95), 0.99902),
        ((0.98, 0.95, 0.99), 0.99999),
    ],
)
def test_noisy_or(present: tuple[float, ...], expected: float) -> None:
    assert noisy_or(0.02, present) == pytest.approx(expected, abs=5e-6)


def test_noisy_or_of_three_illnesses() -> None:
    cold, flu, malaria = 0.4, 0.8, 0.9
    assert 1 - noisy_or(0, (cold, flu, malaria)) == pytest.approx(0.012)
    assert 1 - noisy_or(0, (cold, flu)) == pytest.approx(0.12)
    assert 1 - noisy_or(0, (cold, malaria)) == pytest.approx(0.06)
    assert 1 - noisy_or(0, (flu, malaria)) == pytest.approx(0.02)


cases = st.lists(st.tuples(st.floats(0.01, 1), st.floats(0.1, 50)), min_size=1, max_size=5)


@given(cases, st.floats(0.1, 200))
def test_no_order_and_no_prefix_beats_chance_over_cost(parts: list[tuple[float, float]], give_up: float) -> None:
    total = sum(p for p, _ in parts)
    chances, costs = [p / total for p, _ in parts], [c for _, c in parts]
    best = best_order(chances, costs)
    least_cost, _ = stop_scan([chances[i] for i in best], [costs[i] for i in best], give_up)
    for order in permutations(range(len(parts))):
        assert stop_scan([chances[i] for i in order], [costs[i] for i in order], give_up)[0] >= least_cost - 1e-6


@given(st.lists(st.tuples(st.floats(0.01, 1), st.floats(0, 1)), min_size=1, max_size=6))
def test_a_check_never_tells_less_than_nothing(parts: list[tuple[float, float]]) -> None:
    total = sum(p for p, _ in parts)
    chances, row = [p / total for p, _ in parts], [q for _, q in parts]
    assert -1e-9 <= information(chances, [row, [1 - q for q in row]]) <= entropy(chances) + 1e-9
