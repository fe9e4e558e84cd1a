"""Test patterns and what is told from what came back. Inputs are invented; the rules come from AN3155 Rev 20 s.3."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from protocols.an3155.family import FAMILY
from protocols.pattern import LEAST, MOST, Came, compare, random_pattern

PATTERN = random_pattern(random.Random(3).randbytes, 64, FAMILY.telling)


def test_the_bytes_that_tell_something_are_those_of_the_document() -> None:
    # AN3155 Rev 20 s.1 and s.3: sync 7F, ACK 79, NACK 1F
    assert sorted(FAMILY.telling) == [0x1F, 0x79, 0x7F]


@given(st.integers(LEAST, MOST), st.binary(min_size=MOST, max_size=MOST), st.binary(max_size=100))
def test_a_pattern_holds_no_answer_and_no_command(count: int, source: bytes, avoid: bytes) -> None:
    made = random_pattern(lambda n: source[:n], count, avoid)
    assert len(made) == count
    assert not set(made) & set(avoid)
    # AN3155 Rev 20 s.3: a command is a byte and its complement
    assert all(one ^ other != 0xFF for one, other in pairwise(made))


@pytest.mark.parametrize(("count", "avoid"), [(LEAST - 1, b""), (MOST + 1, b""), (64, bytes(range(200)))])
def test_a_pattern_that_would_tell_nothing_is_refused(count: int, avoid: bytes) -> None:
    with pytest.raises(ValueError, match=r"bytes|values"):
        random_pattern(random.Random(1).randbytes, count, avoid)


@pytest.mark.parametrize(
    ("received", "came", "matched"),
    [
        (PATTERN, Came.SAME, 64),
        (b"\x00" + PATTERN, Came.SAME, 64),  # a line that falls while it is joined reads as one 00
        (b"\xff\x00" + PATTERN, Came.SAME, 64),
        (b"", Came.NOTHING, 0),
        (b"\x00", Came.NOTHING, 0),
        (PATTERN[:-1], Came.DAMAGED, 63),
        (PATTERN + b"x", Came.DAMAGED, 64),
        (PATTERN[:20] + b"\x55" + PATTERN[21:], Came.DAMAGED, 63),
        (b"\x79", Came.OTHER, 0),  # AN3155 s.1: what a board answers to a sync
        (b"\x1f\x1f\x1f", Came.OTHER, 0),
        (b"tern: level 1.482 m\r\n" * 3, Came.OTHER, 0),
    ],
)
def test_what_came_back(received: bytes, came: Came, matched: int) -> None:
    found = compare(PATTERN, received)
    assert (found.came, found.matched) == (came, matched)
    assert (found.sent, found.received) == (64, len(received))


@given(st.binary(max_size=300))
def test_nothing_but_the_pattern_itself_is_the_same(received: bytes) -> None:
    assume(not received.endswith(PATTERN))
    found = compare(PATTERN, received)
    assert found.came is not Came.SAME
    assert 0 <= found.matched <= 64


@given(st.integers(0, 63), st.integers(1, 255))
def test_one_changed_byte_is_damage(at: int, flipped: int) -> None:
    spoiled = bytearray(PATTERN)
    spoiled[at] ^= flipped
    assert compare(PATTERN, bytes(spoiled)).came is Came.DAMAGED
