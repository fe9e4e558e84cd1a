"""A plan in words: numbers of boards, suspects named once, repairs."""

from __future__ import annotations

import pytest

from console.bringup.fold import Repaired, SuspectState
from console.bringup.words import next_serial, repaired_words, suspect_words


@pytest.mark.parametrize(
    ("serial", "after"),
    [("7", "8"), ("009", "010"), ("tern-19", "tern-20"), ("99", "100"), ("", ""), ("blue", ""), ("7b", "")],
)
def test_the_number_after_this_one(serial: str, after: str) -> None:
    assert next_serial(serial) == after


@pytest.mark.parametrize(
    ("part", "title", "words"),
    [
        ("U4", "U4.14 to U4.15: solder bridge", "U4.14 to U4.15: solder bridge"),
        ("U6", "U6: chip dead", "U6: chip dead"),
        ("VBUS", "VBUS: supply missing", "VBUS: supply missing"),
        ("U4", "U40.1: open joint", "U4: U40.1: open joint"),
    ],
)
def test_a_suspect_names_its_part_once(part: str, title: str, words: str) -> None:
    assert suspect_words(SuspectState("key", part, title, 0.5, 1, (), "", "")) == words


def test_a_repair_says_after_which_failure() -> None:
    assert repaired_words(Repaired("k", "U6.2: open joint", "memory", 1.0)) == (
        "put right after memory had failed: U6.2: open joint"
    )
    assert repaired_words(Repaired("k", "put right while looking at U6", "", 1.0)) == "put right while looking at U6"
