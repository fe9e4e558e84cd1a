"""The core against a worked naive-Bayes example and its own laws."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.bayes import surprise, weigh
from console.causes.cost import noisy_or

# Ten causes, one observation: reasoned numbers, common practice, no source; posteriors were computed from them with
# the general library pgmpy 1.1.2.
NAMES = ("uncrossed", "strap", "unpowered", "ground", "rx", "tx", "short", "baud", "adapter", "chip")
PRIOR = dict(zip(NAMES, (0.24, 0.18, 0.14, 0.10, 0.09, 0.09, 0.03, 0.04, 0.04, 0.05), strict=True))
SEEN = {
    "silence": (0.93, 0.95, 0.70, 0.45, 0.93, 0.93, 0.03, 0.50, 0.90, 0.95),
    "echo": (0.01, 0.01, 0.01, 0.03, 0.03, 0.01, 0.95, 0.01, 0.02, 0.01),
    "garbage": (0.03, 0.03, 0.04, 0.35, 0.02, 0.03, 0.01, 0.45, 0.03, 0.02),
    "break": (0.03, 0.01, 0.25, 0.17, 0.02, 0.03, 0.01, 0.04, 0.05, 0.02),
}
EXPECTED = {
    "silence": (0.2759, 0.2114, 0.1211, 0.0556, 0.1035, 0.1035, 0.0011, 0.0247, 0.0445, 0.0587),
    "echo": (0.0566, 0.0425, 0.0330, 0.0708, 0.0637, 0.0212, 0.6722, 0.0094, 0.0189, 0.0118),
    "garbage": (0.0921, 0.0691, 0.0716, 0.4476, 0.0230, 0.0345, 0.0038, 0.2302, 0.0153, 0.0128),
    "break": (0.1023, 0.0256, 0.4972, 0.2415, 0.0256, 0.0384, 0.0043, 0.0227, 0.0284, 0.0142),
}


def likelihood(seen: str) -> dict[str, float]:
    return dict(zip(NAMES, SEEN[seen], strict=True))


@pytest.mark.parametrize("seen", SEEN)
def test_ten_causes_one_observation(seen: str) -> None:
    result = weigh(PRIOR, [likelihood(seen)])
    assert result == pytest.approx(dict(zip(NAMES, EXPECTED[seen], strict=True)), abs=1e-4)


def test_a_passing_loopback_clears_the_adapter() -> None:
    loopback = dict.fromkeys(NAMES, 0.99) | {"adapter": 0.05}
    result = weigh(PRIOR, [likelihood("silence"), loopback])
    expected = (0.2881, 0.2207, 0.1265, 0.0581, 0.1080, 0.1080, 0.0012, 0.0258, 0.0023, 0.0613)
    assert result == pytest.approx(dict(zip(NAMES, expected, strict=True)), abs=1e-4)


chance = st.floats(0, 1)
rows = st.lists(st.fixed_dictionaries(dict.fromkeys(NAMES, chance)), max_size=40)


@given(rows)
def test_sums_to_one_and_nothing_is_certain(table: list[dict[str, float]]) -> None:
    result = weigh(PRIOR, table)
    assert sum(result.values()) == pytest.approx(1)
    assert all(0 < value < 1 for value in result.values())


@given(rows, st.randoms(use_true_random=False))
def test_order_does_not_matter(table: list[dict[str, float]], random: object) -> None:
    shuffled = list(table)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert weigh(PRIOR, shuffled) == pytest.approx(weigh(PRIOR, table), rel=1e-9)


@pytest.mark.parametrize("prior", [{}, {"a": 0.0}, {"a": -1.0}, {"a": float("nan")}])
def test_an_impossible_prior_is_refused(prior: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="prior"):
        weigh(prior, [])


def test_surprise_has_the_sign_of_the_support() -> None:
    assert surprise("short", PRIOR, likelihood("echo")) > 0 > surprise("strap", PRIOR, likelihood("echo"))


# Three causes that may all be present, "no answer" by noisy-or with leak 0.02, "TX reads low" and "strap at run level":
# reasoned numbers (common practice, no source); marginals and P(evidence) computed with pgmpy 1.1.2 and by enumeration.
PRESENT = {"U": 0.25, "S": 0.15, "P": 0.10}
STRENGTH = {"U": 0.98, "S": 0.95, "P": 0.99}
NOISY = [
    ({}, (0.574800, 0.338510, 0.231974), 0.428348),
    ({"D": 0}, (0.659723, 0.387799, 0.030198), 0.329049),
    ({"D": 1}, (0.293386, 0.175181, 0.900608), 0.099298),
    ({"D": 0, "R": 1}, (0.300013, 0.937673, 0.013629), 0.129282),
    ({"D": 0, "R": 0}, (0.892516, 0.031938, 0.040921), 0.199767),
]


@pytest.mark.parametrize(("readings", "expected", "evidence"), NOISY)
def test_several_causes_at_once_explain_each_other_away(
    readings: dict[str, int], expected: tuple[float, ...], evidence: float
) -> None:
    prior, seen = {}, {}
    for chosen in product([False, True], repeat=3):
        there = dict(zip(PRESENT, chosen, strict=True))
        weight = 1.0
        for cause, present in there.items():
            weight *= PRESENT[cause] if present else 1 - PRESENT[cause]
        state = "".join(cause for cause, present in there.items() if present) or "none"
        prior[state] = weight
        chance = noisy_or(0.02, (STRENGTH[cause] for cause, present in there.items() if present))
        low = 0.90 if there["P"] else 0.03
        run_level = 0.95 if there["S"] else 0.04
        for name, likely in (("D", low), ("R", run_level)):
            if name in readings:
                chance *= likely if readings[name] else 1 - likely
        seen[state] = chance
    assert sum(prior[state] * seen[state] for state in prior) == pytest.approx(evidence, abs=1e-6)
    posterior = weigh(prior, [seen])
    found = tuple(sum(p for state, p in posterior.items() if cause in state) for cause in PRESENT)
    # weigh keeps every likelihood above a floor of 1e-4; none of these is below it
    assert found == pytest.approx(expected, abs=2e-6)
