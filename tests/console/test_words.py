"""Numbers and outcomes in words."""

from __future__ import annotations

import pytest

from console.errors import Outcome
from console.words import moment, outcome_words


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
