"""Numbers and outcomes in words."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.reading import Band, Scale, read
from console.errors import Outcome
from console.words import measure, moment, outcome_words, reason


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0.000 s"),
        (59.9994, "59.999 s"),
        (60, "1 min 00 s"),
        (59.9996, "1 min 00 s"),
        (252.4, "4 min 12 s"),
        (7500, "2 h 05 min"),
    ],
)
def test_moments(seconds: float, words: str) -> None:
    assert moment(seconds) == words


def test_outcomes_have_a_sign_and_a_word() -> None:
    told = {outcome: outcome_words(outcome) for outcome in (None, *Outcome)}
    assert told[Outcome.OK] == "✓ done"
    assert told[Outcome.NO_ANSWER] == "✗ no answer"
    assert told[Outcome.STOPPED] == "■ stopped"
    assert told[None] == "… running"
    assert len(set(told.values())) == len(told)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (3.3, "V", "3.3 V"),
        (1e6, "ohm", "1 Mohm"),
        (4700, "ohm", "4.7 kohm"),
        (999.9999, "ohm", "1 kohm"),
        (0.22, "ohm", "0.22 ohm"),
        (math.inf, "ohm", "open"),
        (0, "V", "0 V"),
        (1234567, "", "1234567"),
        (0.00002, "A", "0.00002 A"),
        (-5, "V", "-5 V"),
    ],
)
def test_measured_values_are_said_as_they_are_spoken(value: float, unit: str, words: str) -> None:
    assert measure(value, unit) == words


@given(st.floats(0, 1e12), st.sampled_from(["ohm", "V"]))
def test_a_value_as_it_is_said_can_be_typed_again(value: float, unit: str) -> None:
    """Six digits and the prefixes of the SI, with neither an exponent nor infinity in words."""
    said = measure(value, unit)
    assert "inf" not in said
    scale = Scale("any", unit, 0.0, math.inf, (Band(math.inf, "good", ""),), "")
    if "e" not in said:
        assert read(scale, said).value == pytest.approx(value, rel=1e-5, abs=1e-6)
    assert ("e" in said) == (not 1e-6 <= abs(value) < 1e9 and value != 0) or unit == "ohm"


@pytest.mark.parametrize(
    ("why", "words"),
    [
        ("memory failed and needs it", "because memory failed and needs it"),
        ("although nothing came", "although nothing came"),
        ("failed with it: memory", "failed with it: memory"),
        ("known: plugs wear", "known: plugs wear"),
    ],
)
def test_only_what_speaks_for_a_suspect_stands_after_because(why: str, words: str) -> None:
    assert reason(why) == words
