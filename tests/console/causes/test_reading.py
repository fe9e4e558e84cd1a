"""Readings with units. Levels: 3.3 V +-0.3 V and inputs 0.8/2.0 V from TI TUSB2136 s.3.2; the rest common practice."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.catalogue import catalogue
from console.causes.reading import Scale, read
from console.errors import UsageTrouble

SCALES = {check.id: check.scale for check in catalogue().checks.values() if check.scale is not None}


def scale(check: str) -> Scale:
    found = SCALES[check]
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("check", "text", "outcome"),
    [
        ("K08", "3.3", "in-range"),
        ("K08", "3.0 V", "in-range"),  # 3.0 - 3.6 V: TI TUSB2136 s.3.2
        ("K08", "3.6", "in-range"),
        ("K08", "3.61", "out-of-range"),
        ("K08", "2.9", "out-of-range"),
        ("K08", "0", "out-of-range"),
        (
            "K08",
            "2500 mV",
            "out-of-range",
        ),  # phantom power: 2.3 - 2.8 V on the rail with the supply off; common practice
        ("K09", "0,4 V", "low"),
        ("K09", "3.2", "near-rail"),
        ("K09", "1.65", "middle"),
        ("K14", "3.3", "high"),
        ("K15", "0.0", "other-level"),
        ("K06", "0.4", "joined"),  # a few ohms or less: common practice, no source
        ("K06", "OL", "open"),
        ("K06", "1.2 k", "open"),
        ("K07", "-12", "volts"),
        ("K07", "3 mV", "near-zero"),
        ("K06", "47 kohm", "open"),
    ],
)
def test_a_reading_falls_into_its_band(check: str, text: str, outcome: str) -> None:
    assert read(scale(check), text).outcome == outcome


def test_a_value_between_low_and_high_decides_nothing() -> None:
    """0.8 to 2.0 V is neither: input levels of TI TUSB2136 s.3.2."""
    assert read(scale("K14"), "1.4").outcome == ""
    assert read(scale("K15"), "1.4").outcome == ""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("240", "outside of what can be there"),
        ("-9 V", "outside"),
        ("3.3 A", "not the unit"),
        ("3.3 ohm", "not the unit"),
        ("about three", "no number"),
        ("", "no number"),
        ("nan", "no number"),
        ("\x1b[2J", "no number"),
        ("1" * 50, "no number"),
    ],
)
def test_what_cannot_be_is_refused_with_words(text: str, words: str) -> None:
    with pytest.raises(UsageTrouble, match=words) as caught:
        read(scale("K08"), text)
    assert caught.value.help
    assert "\x1b" not in "\n".join(caught.value.lines())


def test_a_value_far_too_high_says_to_keep_off() -> None:
    with pytest.raises(UsageTrouble) as caught:
        read(scale("K08"), "230 V")
    assert "qualified person" in caught.value.help


@given(st.sampled_from(sorted(SCALES)), st.text(max_size=60))
def test_any_text_is_a_reading_or_a_clear_refusal(check: str, text: str) -> None:
    try:
        got = read(scale(check), text)
    except UsageTrouble:
        return
    assert got.value == math.inf or scale(check).least <= got.value <= scale(check).most
    assert got.means


@given(st.sampled_from(sorted(SCALES)), st.floats(-1, 31).map(lambda x: round(x, 3)))
def test_prefixes_are_factors_of_a_thousand(check: str, value: float) -> None:
    """SI prefixes: SI brochure, 9th edition, table 7."""
    unit = scale(check).unit
    if not scale(check).least <= value <= scale(check).most:
        return
    whole, milli = read(scale(check), f"{value} {unit}"), read(scale(check), f"{round(value * 1000, 6)} m{unit}")
    assert milli.value == pytest.approx(whole.value, abs=1e-9)


@pytest.mark.parametrize("check", sorted(SCALES))
def test_every_band_leads_to_an_outcome_of_its_check_and_all_values_are_covered(check: str) -> None:
    found = scale(check)
    outcomes = catalogue().checks[check].outcomes
    assert {band.outcome for band in found.bands} - {""} <= set(outcomes)
    assert [band.upto for band in found.bands] == sorted(band.upto for band in found.bands)
    assert found.bands[-1].upto == math.inf
    assert found.source
