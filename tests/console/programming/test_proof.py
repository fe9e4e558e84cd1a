"""What a difference looks like. The patterns follow from how flash works: an erase sets bits, a write clears them."""

from __future__ import annotations

import pytest

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


@pytest.mark.parametrize(
    ("got", "kind"), [(bytes(256), Kind.ERASE_IGNORED), (b"\xfe" + b"\xff" * 255, Kind.NOT_ERASED)]
)
def test_what_was_only_erased_and_is_not_blank_speaks_of_the_erase(got: bytes, kind: Kind) -> None:
    # AN3155 Rev 20 s.3.7: an erase of a write-protected sector is acknowledged; one bit is a cell, not a sector
    found = compare(0x0800_0000, b"\xff" * 256, got, got, 0xFF, only_erased=True)
    assert found.kind is kind
    assert found.is_old(0xFF)


def test_a_ledger_tells_an_erase_that_was_sent_from_one_acknowledged_and_one_that_was_none() -> None:
    ledger = Ledger()
    ledger.erase_sent((1, 2))
    assert (ledger.erasing, ledger.erased) == ({1, 2}, set())
    ledger.erase_acknowledged()
    ledger.seen_unerased((2, 3))
    assert (ledger.erasing, ledger.erased, ledger.resisting) == (set(), {1}, {2})
    ledger.erase_sent((1, 2))
    assert (ledger.erasing, ledger.erased, ledger.resisting) == ({1, 2}, set(), set())


def test_a_difference_names_address_bit_expected_and_found() -> None:
    found = compare(AT, WANT, spoiled(9, 0x30), spoiled(9, 0x30), 0xFF)
    assert (found.address, found.bits, found.expected, found.got, found.count) == (AT + 9, "bits 4, 5", 9, 0x39, 1)
    assert found.where == "0x08000409, bits 4, 5: expected 09, got 39 (1 of the 256 bytes from 0x08000400 differ)"
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
    ledger.forget([Span(AT, 64)])
    assert ledger.words()["proven"] == "08000440-080004FF"


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
