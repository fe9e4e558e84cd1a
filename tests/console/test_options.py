"""What may stand behind an option. Numbers are written as Python's own literals are (the language reference)."""

from __future__ import annotations

from argparse import ArgumentTypeError
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.commands.options import values as options

PARSERS: list[Callable[[str], object]] = [
    options.span,
    options.place,
    options.pages,
    options.pattern,
    options.address,
    options.volts,
]


def test_what_is_right() -> None:
    assert options.span("0x0800_0000:16") == (0x0800_0000, 16)
    assert options.place("0x10") == (16, 32)
    assert options.place("16:8") == (16, 8)
    assert options.pages("0-3,7, 9") == (0, 1, 2, 3, 7, 9)
    assert options.volts("3.3") == 3.3


@pytest.mark.parametrize(
    ("parse", "text"),
    [
        (options.span, "5"),
        (options.span, "0:0"),
        (options.span, "0xFFFFFFFF:2"),
        (options.place, "0:257"),
        (options.place, "0:"),
        (options.pages, ""),
        (options.pages, "3-1"),
        (options.pages, "-1"),
        (options.pages, "65536"),
        (options.pages, "²"),
        (options.pattern, "("),
        (options.volts, "3,3"),
        (options.volts, "3.3V"),
        (options.volts, "-1"),
        (options.volts, "nan"),
    ],
)
def test_what_is_wrong(parse: Callable[[str], object], text: str) -> None:
    with pytest.raises(ArgumentTypeError):
        parse(text)


@given(st.sampled_from(PARSERS), st.text(max_size=12))
def test_any_text_is_taken_or_refused(parse: Callable[[str], object], text: str) -> None:
    try:
        parse(text)
    except ArgumentTypeError:
        return
