"""Readings against limits: the worked bands, by how much a reading misses, and what a meter's text says."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.limits import GOOD, HIGH, LOW, Expected, Limits
from console.causes.reading import read

RAIL = Limits(3.135, 3.465, "V")  # 3.3 V, 5 % either way


@pytest.mark.parametrize(
    ("limits", "value", "words"),
    [
        (RAIL, 3.3, ""),
        (RAIL, 3.135, ""),
        (RAIL, 3.465, ""),
        (RAIL, 3.0, "0.135 V below the least allowed (3.135 V)"),
        (RAIL, 3.5, "0.035 V above the most allowed (3.465 V)"),
        # Universal Serial Bus Specification 2.0, table 7-7: VBUS of a low-power port is 4.40 to 5.25 V
        (Limits(4.40, 5.25, "V"), 4.35, "0.05 V below the least allowed (4.4 V)"),
        (Limits(4.40, 5.25, "V"), 5.3, "0.05 V above the most allowed (5.25 V)"),
        (Limits(50, math.inf, "ohm"), 0.3, "49.7 ohm below the least allowed (50 ohm)"),
        (Limits(50, math.inf, "ohm"), math.inf, ""),
        (Limits(0, 1, "ohm"), math.inf, "open, where at most 1 ohm is allowed"),
        (Limits(5, 45), 4, "1 below the least allowed (5)"),
        (Limits(5, 45), math.nan, "no number"),
    ],
)
def test_by_how_much_a_reading_is_out(limits: Limits, value: float, words: str) -> None:
    assert limits.off_by(value) == words


@pytest.mark.parametrize(
    ("limits", "typed", "outcome"),
    [
        (RAIL, "3.29 V", GOOD),
        (RAIL, "3290 mV", GOOD),
        (RAIL, "3,29", GOOD),
        (RAIL, "3.1", LOW),
        (RAIL, "0.02 V", LOW),
        (RAIL, "5.1", HIGH),
        (Limits(50, math.inf, "ohm"), "open", GOOD),
        (Limits(50, math.inf, "ohm"), "OL", GOOD),
        (Limits(50, math.inf, "ohm"), "1.2 k", GOOD),
        (Limits(50, math.inf, "ohm"), "0.3", LOW),
        (Limits(0, 1, "ohm"), "0.3", GOOD),
        (Limits(0, 1, "ohm"), "open", HIGH),
        (Limits(-math.inf, 0.2, "A"), "80 mA", GOOD),
        (Limits(-math.inf, 0.2, "A"), "300 mA", HIGH),
    ],
)
def test_what_a_typed_reading_says(limits: Limits, typed: str, outcome: str) -> None:
    assert read(limits.scale("a place"), typed).outcome == outcome


@given(st.floats(-100, 100), st.floats(-100, 100), st.floats(-200, 200), st.sampled_from(["V", ""]))
def test_a_reading_is_either_inside_or_out_by_something(a: float, b: float, value: float, unit: str) -> None:
    limits = Limits(min(a, b), max(a, b), unit)
    inside = limits.least <= value <= limits.most
    assert (limits.off_by(value) == "") is inside
    if unit:
        assert (limits.scale("it").band(value).outcome == GOOD) is inside


@pytest.mark.parametrize("ends", [(2, 1), (-math.inf, math.inf), (math.nan, 1)])
def test_limits_that_say_nothing_are_refused(ends: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="least allowed"):
        Limits(*ends)


def test_expected_values_and_ranges() -> None:
    assert Expected((1, 2)).wrong(2) == ""
    assert Expected((1, 2)).wrong(3) == "3, not 1 or 2"
    assert Expected((b"\x7e",)).wrong(b"\x00") == "00, not 7E"
    assert Expected(limits=Limits(5, 45)).wrong(21) == ""
    assert Expected(limits=Limits(5, 45)).wrong(50) == "50 is 5 above the most allowed (45)"
    assert Expected(limits=Limits(5, 45)).wrong("warm") == "warm is no number"
