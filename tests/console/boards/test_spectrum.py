"""Coefficients against printed values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.spectrum import Spectrum, spectrum

# printed in the test suite (test_line.py) of a public Python library for fault localisation
PRINTED = [
    ("tarantula", Spectrum(3, 1, 4, 6), 0.8182),
    ("tarantula", Spectrum(3, 2, 6, 4), 0.5),
    ("ochiai", Spectrum(3, 2, 6, 4), 0.5477),
    ("jaccard", Spectrum(5, 21, 15, 30), 0.1389),
]


@pytest.mark.parametrize(("name", "counts", "printed"), PRINTED)
def test_printed_values(name: str, counts: Spectrum, printed: float) -> None:
    assert getattr(counts, name) == pytest.approx(printed, abs=5e-5)


def test_printed_dstar() -> None:
    # the same test suite, power 3
    assert Spectrum(3, 2, 6, 4).dstar(3) == pytest.approx(5.4)


def test_classroom_example() -> None:
    # a public lecture example: three runs, two of them failing
    assert spectrum([(False, True), (False, True), (True, False)]).ochiai == 1
    assert spectrum([(False, True), (False, False), (True, True)]).ochiai == pytest.approx(0.5)


def test_nothing_divided_by_nothing_is_nothing() -> None:
    empty = spectrum([])
    assert (empty.ochiai, empty.tarantula, empty.jaccard, empty.dstar()) == (0, 0, 0, 0)
    assert spectrum([(False, True)]).dstar() == math.inf


@given(st.lists(st.tuples(st.booleans(), st.booleans()), max_size=12))
def test_shares_are_shares(stages: list[tuple[bool, bool]]) -> None:
    counts = spectrum(stages)
    assert all(0 <= value <= 1 for value in (counts.ochiai, counts.tarantula, counts.jaccard))
    assert counts.dstar() >= 0
    # Jaccard and Ochiai agree on what is perfect
    assert (counts.jaccard == 1) == math.isclose(counts.ochiai, 1)
