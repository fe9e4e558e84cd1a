"""What a difference looks like. The patterns follow from how flash works: an erase sets bits, a write clears them."""

from __future__ import annotations

import pytest

from console.images.image import Span
from console.programming.proof import Kind, Ledger, as_text, compare

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
    assert (found.address, found.bit, found.expected, found.got, found.count) == (AT + 9, 4, 9, 0x39, 1)
    assert found.where == "0x08000409 bit 4: expected 09, got 39 (1 of the 256 bytes from 0x08000400 differ)"
    assert found.meaning
    with pytest.raises(ValueError, match="right"):
        compare(AT, WANT, WANT, WANT, 0xFF)


def test_what_waits_to_be_read_back_is_told_beside_what_is_proven() -> None:
    ledger = Ledger()
    ledger.written.update([Span(AT, 256), Span(AT + 256, 256)])
    ledger.proven.add(Span(AT, 256))
    words = ledger.words()
    assert (words["proven"], words["written"]) == ("08000400-080004FF", "08000500-080005FF")
    assert words["proven_bytes"] == 256
    assert ledger.forget([Span(AT, 64)])
    assert not ledger.forget([Span(AT, 64)])
    assert ledger.words()["proven"] == "08000440-080004FF"


def test_a_long_list_of_ranges_is_cut_with_a_word() -> None:
    text = as_text(Span(n * 16, 4) for n in range(100))
    assert text.startswith("00000000-00000003 00000010-00000013 ")
    assert text.endswith(" and 60 more")
