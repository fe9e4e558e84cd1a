"""Ranges are a set of addresses: every operation is held against a set of numbers."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from console.images.image import Span
from console.programming.ranges import Ranges

SPANS = st.builds(Span, st.integers(0, 120), st.integers(0, 40))


def addresses(spans: Iterable[Span]) -> set[int]:
    return {address for span in spans for address in range(span.start, span.end)}


@given(st.lists(st.tuples(st.booleans(), SPANS), max_size=30), st.lists(SPANS, max_size=5))
def test_they_hold_the_addresses_that_a_set_would_hold(steps: list[tuple[bool, Span]], others: list[Span]) -> None:
    ranges, model = Ranges(), set[int]()
    for adds, span in steps:
        if adds:
            ranges.add(span)
            model |= addresses([span])
        else:
            assert ranges.remove(span) is bool(model & addresses([span]))
            model -= addresses([span])
        assert addresses(ranges) == model
        assert all(a.end < b.start for a, b in pairwise(ranges))
        assert all(span.size > 0 for span in ranges)
        assert (bool(ranges), ranges.size) == (bool(model), len(model))
    assert addresses(ranges.without(others)) == model - addresses(others)
    assert addresses(ranges) == model
