"""The door from hostile bytes to safe text."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from console.text import clean, column, file_name, hex_bytes, quoted

# ECMA-48 (5th edition, 1991) 5.3: C0 is 00-1F, DEL 7F, C1 is 80-9F; CSI is 9B or ESC [
HOSTILE = b"\x1b[2J\x9b31m\x07[/AA][aa]\x00\xff"


def visible(text: str) -> bool:
    """No control, format or unassigned character (Unicode general categories, UAX #44)."""
    return all(unicodedata.category(char) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") for char in text)


def test_hostile_bytes_become_visible() -> None:
    assert column(HOSTILE) == "·[2J·31m·[/AA][aa]··"
    assert visible(quoted(HOSTILE))
    assert "\\x1b[2J\\x9b31m\\x07" in quoted(HOSTILE)
    assert hex_bytes(b"\x7f\x79") == "7F 79"


def test_bidirectional_override_and_separators_are_escaped() -> None:
    # Unicode 15 UAX #9: U+202E right-to-left override; UAX #14: U+2028 line separator
    assert clean("ab\u202ecd\u2028") == "ab\\u202ecd\\u2028"
    assert clean("Grüße 東") == "Grüße 東"


@given(st.binary(max_size=300))
def test_bytes_never_leave_unescaped(data: bytes) -> None:
    assert visible(column(data))
    assert len(column(data)) == len(data)
    assert visible(quoted(data))


@given(st.text(max_size=300))
def test_strings_never_leave_unescaped(text: str) -> None:
    assert visible(clean(text))


@given(st.text(max_size=300))
def test_file_names_stay_in_their_folder(text: str) -> None:
    # POSIX.1-2017 3.282: the portable filename character set
    name = file_name(text)
    assert name
    assert len(name) <= 80
    assert all(char.isascii() and (char.isalnum() or char in "._-") for char in name)
    assert not name.startswith((".", "-"))
