"""What a person may write behind an option, and the words when it is not that. Quick to load."""

from __future__ import annotations

import re
from argparse import ArgumentTypeError
from typing import Final

_NUMBER: Final = re.compile(r"0[xX][0-9A-Fa-f](_?[0-9A-Fa-f])*|0|[1-9](_?[0-9])*")
_MOST_PAGES: Final = 65536
_MOST_VERSION: Final = 256


def rate(text: str) -> int:
    """A line rate, 1 to 20000000 baud. Raises ArgumentTypeError."""
    return int(_number(text, 1, 20_000_000, "a rate from 1 to 20000000 baud", whole=True))


def address(text: str) -> int:
    """A 32-bit address as a person writes it: ``0x0800_0000`` or decimal. Raises ArgumentTypeError.

    Digits with a leading zero are refused: who writes 08000000 means hex and would get another place.
    """
    if _NUMBER.fullmatch(text) and (value := int(text, 0)) < 1 << 32:
        return value
    raise ArgumentTypeError(f"{text!r} is not an address from 0 to 0xFFFFFFFF (hex begins with 0x, as in 0x0800_0000)")


def span(text: str) -> tuple[int, int]:
    """``ADDRESS:LENGTH``, at least one byte. Raises ArgumentTypeError."""
    start, _, size = text.partition(":")
    found = address(start), address(size)
    if not 0 < found[1] <= (1 << 32) - found[0]:
        raise ArgumentTypeError(f"{text!r} is not ADDRESS:LENGTH with at least one byte")
    return found


def place(text: str) -> tuple[int, int]:
    """``ADDRESS`` or ``ADDRESS:LENGTH`` of a version text, 1 to 256 bytes (32 where none is given).

    Raises ArgumentTypeError.
    """
    start, colon, size = text.partition(":")
    found = address(start), address(size) if colon else 32
    if not 0 < found[1] <= _MOST_VERSION:
        raise ArgumentTypeError(f"{text!r}: a version text has 1 to {_MOST_VERSION} bytes")
    return found


def pattern(text: str) -> re.Pattern[bytes]:
    """A regular expression over the bytes of memory; its first group is the version, if it has one.

    Raises ArgumentTypeError.
    """
    try:
        return re.compile(text.encode())
    except (re.error, OverflowError) as error:
        raise ArgumentTypeError(f"{text!r} is not a regular expression: {error}") from error


def pages(text: str) -> tuple[int, ...]:
    """``0-3,7``: page numbers and ranges of them. Raises ArgumentTypeError."""
    found: set[int] = set()
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        if not first.isdecimal() or (dash and not last.isdecimal()):
            raise ArgumentTypeError(f"{text!r} is not a list of page numbers such as 0-3,7")
        low, high = int(first), int(last) if dash else int(first)
        if low > high or high >= _MOST_PAGES:
            raise ArgumentTypeError(f"{part.strip()!r} is not a range of page numbers from 0 to {_MOST_PAGES - 1}")
        found.update(range(low, high + 1))
    return tuple(sorted(found))


def count(text: str) -> int:
    """A number of things, from 0. Raises ArgumentTypeError."""
    return int(_number(text, 0, 10_000_000, "a whole number from 0", whole=True))


def pattern_count(text: str) -> int:
    """How many bytes a test sends, 8 to 256. Raises ArgumentTypeError."""
    return int(_number(text, 8, 256, "a number of bytes from 8 to 256", whole=True))


def rates(text: str) -> tuple[int, ...]:
    """Line rates with commas between them. Raises ArgumentTypeError."""
    return tuple(rate(part) for part in text.split(","))


def seconds(text: str) -> float:
    """A time, 0 to 3600 seconds. Raises ArgumentTypeError."""
    return _number(text, 0, 3600, "a time from 0 to 3600 seconds")


def volts(text: str) -> float:
    """A supply voltage as a meter shows it, 0 to 60 V. Raises ArgumentTypeError."""
    return _number(text, 0, 60, "a voltage from 0 to 60, such as 3.3")


def speed(text: str) -> float:
    """A speed, times real time. Raises ArgumentTypeError."""
    return _number(text, 0.001, 1e6, "a speed from 0.001 to 1000000")


def usb_ids(text: str) -> tuple[int, int]:
    """Vendor and product of a USB device, ``1209:0001``. Raises ArgumentTypeError."""
    vid, _, pid = text.partition(":")
    if not all(re.fullmatch(r"[0-9a-fA-F]{1,4}", part) for part in (vid, pid)):
        raise ArgumentTypeError(f"{text!r} is not two hexadecimal ids such as 1209:0001")
    return int(vid, 16), int(pid, 16)


def line_use(text: str) -> tuple[str, bool]:
    """A control line and whether it is active high: ``dtr``, ``~rts``. Raises ArgumentTypeError."""
    name = text.lower().removeprefix("~")
    if name not in ("dtr", "rts"):
        raise ArgumentTypeError(f"{text!r} is not dtr, rts, ~dtr or ~rts")
    return name, not text.startswith("~")


def _number(text: str, least: float, most: float, words: str, *, whole: bool = False) -> float:
    try:
        value = int(text) if whole else float(text)
    except ValueError:
        value = least - 1
    if not least <= value <= most:  # also refuses nan
        raise ArgumentTypeError(f"{text!r} is not {words}")
    return value
