"""What a difference looks like. The patterns follow from how flash works: an erase sets bits, a write clears them."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.images.image import Span
from console.programming.proof import Difference, Kind, Ledger, as_text, compare

WANT = bytes(range(64)) * 4
AT = 0x0800_0400


def spoiled(at: int, bits: int) -> bytes:
    out = bytearray(WANT)
    out[at] ^= bits
    return bytes(out)


@pytest.mark.parametrize(
    ("got", "again", "before", "kind"),
    [
        (spoiled(9, 1), WANT, None, Kind.LINE),
        (b"\xff" * 256, b"\xff" * 256, None, Kind.IGNORED),
        (bytes(256), bytes(256), None, Kind.NOT_ERASED),
        (bytes(256), bytes(256), bytes(256), Kind.IGNORED),
        (spoiled(9, 1), spoiled(9, 1), spoiled(9, 1), Kind.STUCK),
        (spoiled(9, 1), spoiled(9, 1), None, Kind.NOT_ERASED),  # 09 -> 08: a cleared bit
        (spoiled(8, 1), spoiled(8, 1), None, Kind.OTHER),  # 08 -> 09: a bit that should be cleared
        (b"\xa5" * 256, b"\xa5" * 256, None, Kind.OTHER),
    ],
)
def test_differences_are_told_apart(got: bytes, again: bytes, before: bytes | None, kind: Kind) -> None:
    assert compare(AT, WANT, got, again, 0xFF, before).kind is kind


def test_a_difference_names_address_bit_expected_and_found() -> None:
    found = compare(AT, WANT, spoiled(9, 0x30), spoiled(9, 0x30), 0xFF)
    assert (found.address, found.bits, found.expected, found.got, found.count) == (AT + 9, "bits 4, 5", 9, 0x39, 1)
    assert found.where == "0x08000409, bits 4, 5: expected 09, got 39 (1 of the 256 bytes from 0x08000400 differ)"
    assert found.meaning
    with pytest.raises(ValueError, match="right"):
        compare(AT, WANT, WANT, WANT, 0xFF)


@given(st.lists(st.tuples(st.integers(0, 200), st.integers(1, 40))))
def test_merged_ranges_cover_the_same_addresses(pairs: list[tuple[int, int]]) -> None:
    spans = [Span(*pair) for pair in pairs]
    merged = Ledger().merged(spans)
    assert {a for s in spans for a in range(s.start, s.end)} == {a for s in merged for a in range(s.start, s.end)}
    assert all(a.end < b.start for a, b in pairwise(merged))


def test_a_long_list_of_ranges_is_cut_with_a_word() -> None:
    text = as_text(Span(n * 16, 4) for n in range(100))
    assert text.startswith("00000000-00000003 00000010-00000013 ")
    assert text.endswith(" and 60 more")


@pytest.mark.parametrize(
    ("expected", "got", "words"),
    [(0x00, 0xF7, "every bit but 3"), (0x00, 0x08, "bit 3"), (0x0F, 0xF0, "every bit"), (0xEE, 0xFD, "bits 0, 1, 4")],
)
def test_the_bits_that_differ_are_named(expected: int, got: int, words: str) -> None:
    found = Difference(AT, expected, got, 1, Span(AT, 256), Kind.STUCK, b"")
    assert found.bits == words
