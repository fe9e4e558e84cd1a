"""Words of the command line as values; what does not fit is refused in words."""

from __future__ import annotations

import re
from argparse import ArgumentTypeError


def rate(text: str) -> int:
    """A line rate, 1 to 20000000 baud. Raises ArgumentTypeError."""
    return int(_number(text, 1, 20_000_000, "a rate from 1 to 20000000 baud", whole=True))


def address(text: str) -> int:
    """A 32-bit address as a person writes it: ``0x0800_0000`` or decimal. Raises ArgumentTypeError.

    Digits with a leading zero are refused: who writes 08000000 means hex and would get another place.
    """
    if re.fullmatch(r"0[xX][0-9A-Fa-f](_?[0-9A-Fa-f])*|0|[1-9](_?[0-9])*", text) and (value := int(text, 0)) < 1 << 32:
        return value
    raise ArgumentTypeError(f"{text!r} is not an address from 0 to 0xFFFFFFFF (hex begins with 0x, as in 0x0800_0000)")


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
