"""Intervals of shares and the Pareto table, against numbers from elsewhere; and no percentage of a few."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.shares import pareto, share_words, wilson


# the four standard cases of Newcombe, Stat. Med. 17 (1998) 857-872 (his printed values, from memory), equal to
# statsmodels 0.15.0 proportion_confint(method="wilson"), from which all others come
@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
        (0, 5, 0.0000, 0.4345),
        (5, 5, 0.5655, 1.0000),
        (7, 10, 0.3968, 0.8922),
        (8, 12, 0.3906, 0.8619),
        (18, 20, 0.6990, 0.9721),
        (20, 20, 0.8389, 1.0000),
        (47, 50, 0.8378, 0.9794),
    ],
)
def test_wilson_interval(hits: int, of: int, low: float, high: float) -> None:
    found = wilson(hits, of)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-5)


@pytest.mark.parametrize(
    ("hits", "of", "confidence", "low", "high"),
    [(18, 20, 0.90, 0.7383, 0.9663), (18, 20, 0.99, 0.6205, 0.9802), (4, 20, 0.90, 0.0931, 0.3784)],
)
def test_wilson_interval_at_other_levels(hits: int, of: int, confidence: float, low: float, high: float) -> None:
    found = wilson(hits, of, confidence)  # statsmodels 0.15.0
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-5)


@given(st.integers(1, 3000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_wilson_bounds_are_where_the_score_test_turns(case: tuple[int, int]) -> None:
    # NIST/SEMATECH e-Handbook s.7.2.4.1: the bounds are the p for which (share - p) / sqrt(p (1 - p) / n) is -z or z
    hits, of = case
    found, z = wilson(hits, of), NormalDist().inv_cdf(0.975)
    assert 0 <= found.low <= hits / of <= found.high <= 1
    for bound in (found.low, found.high):
        if 0 < bound < 1:
            score = (hits / of - bound) / math.sqrt(bound * (1 - bound) / of)
            assert abs(score) == pytest.approx(z, rel=1e-6)


def test_of_nothing_the_yield_may_be_anything() -> None:
    found = wilson(0, 0)
    assert (found.low, found.high) == (0, 1)
    for hits, of in ((-1, 3), (4, 3)):
        with pytest.raises(ValueError, match="hits"):
            wilson(hits, of)


def test_pareto_of_twelve_faults() -> None:
    # counts are an example; the intervals are statsmodels 0.15.0's
    found = pareto(["open joint"] * 6 + ["strap"] * 2 + ["bridge"] * 3 + ["other"])
    assert [(bar.name, bar.rate.hits) for bar in found] == [
        ("open joint", 6),
        ("bridge", 3),
        ("strap", 2),
        ("other", 1),
    ]
    for bar, low, high in zip(found, (25.4, 8.9, 4.7, 1.5), (74.6, 53.2, 44.8, 35.4), strict=True):
        assert (100 * bar.rate.low, 100 * bar.rate.high) == pytest.approx((low, high), abs=0.051)
    assert [bar.running for bar in found] == pytest.approx([0.5, 0.75, 11 / 12, 1])
    assert pareto([]) == ()


@pytest.mark.parametrize(("hits", "of"), [(3, 4), (0, 3), (4, 4), (9, 9)])
def test_few_boards_give_a_count_and_no_percentage_but_the_interval(hits: int, of: int) -> None:
    text = share_words(wilson(hits, of))
    assert text.startswith(f"{hits} of {of} (95 % interval")
    assert "=" not in text


def test_many_boards_give_both() -> None:
    assert share_words(wilson(18, 20)) == "18 of 20 = 90 % (95 % interval 70 to 97 %)"  # 0.6990 to 0.9721, statsmodels
    assert share_words(wilson(0, 0)) == "0 of 0"
