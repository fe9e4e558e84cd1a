"""The core against a worked naive-Bayes example and its own laws."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.bayes import surprise, weigh

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
