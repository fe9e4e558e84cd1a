"""One test record of IPC-D-356/356A: which columns hold what, and how far real writers stray from them.

Columns after IPC-D-356B (October 2002) sections 8.1 to 8.9 as its public descriptions and writers give them; the
standard itself is sold and was not read. Lengths stay in the file's own unit here, because the unit is a matter of the
file. A record is text in Latin-1; what it holds is not to be trusted.
"""

from __future__ import annotations

import re
from typing import Final, NamedTuple

VIA: Final = "VIA"
LONGEST: Final = 200  # characters; strict records have 80, shifted ones a few more

# A field counts only where its letter stands in its column; what lies after the Y coordinate may be missing.
_COLUMNS: Final = re.compile(
    r"""
    (?P<code>\d{3})                                  # 1-3    operation code (8.1)
    (?P<net>.{17})                                   # 4-17   signal name (8.2); 18-20 blank, or a name that overflows
    (?P<part>.{6})(?P<dash>.)(?P<pin>.{4})           # 21-31  designator, dash, pin (8.3)
    (?P<mid>.)                                       # 32     M: not an end of the net (8.3)
    (?:D(?P<hole>[ \d]{4})(?P<plated>[PU ])|.{6})    # 33-38  hole (8.4)
    (?:A(?P<access>[ \d]{2})|.{3})                   # 39-41  side from which it can be reached (8.5)
    X(?P<x>[ +\-\d]{7})                              # 42-49  sign and six digits (8.6)
    Y(?P<y>[ +\-\d]{7})                              # 50-57  (8.6)
    (?:X(?P<size_x>[ \d]{4})|.{5})                   # 58-62  (8.7)
    (?:Y(?P<size_y>[ \d]{4})|.{5})                   # 63-67  (8.7)
    (?:R(?P<rotation>[ \d]{3})|.{4})                 # 68-71  (8.8)
    (?:\ ?S(?P<mask>\d))?                            # 73-74  solder mask (8.9); one older writer begins in 72
    (?:\ *L(?P<first>\d\d)L(?P<last>\d\d))?          # 75-80  the layers of a blind or buried via
    """,
    re.VERBOSE | re.ASCII,
)
# The same fields in the same order wherever they stand: long designators push the rest to the right, and some
# writers leave blanks out. No run of blanks is tried twice, so that a hostile line costs no time.
_SHIFTED: Final = re.compile(
    r"""
    (?P<code>\d{3})(?P<net>\S*+)\s++
    (?:(?P<part>\S+?)\s*+(?P<dash>-)\s*+(?P<pin>[^\s-]{1,4}))\s*+
    (?P<mid>M?+)\s*+
    (?:D\s*+(?P<hole>\d{1,4})\s*+(?P<plated>[PU]?+))?+\s*+
    (?:A(?P<access>\d\d))?+\s*+
    X\s*+(?P<x>[+-]?+\s*+\d{1,6})\s*+
    Y\s*+(?P<y>[+-]?+\s*+\d{1,6})\s*+
    (?:X\s*+(?P<size_x>\d{1,4}))?+\s*+
    (?:Y\s*+(?P<size_y>\d{1,4}))?+\s*+
    (?:R\s*+(?P<rotation>\d{1,3}))?+\s*+
    (?:S(?P<mask>\d))?+\s*+
    (?:L(?P<first>\d\d)L(?P<last>\d\d))?+\s*+$
    """,
    re.VERBOSE | re.ASCII,
)


class Record(NamedTuple):
    """The fields of one test record, in the file's own unit; None where a field is missing.

    `access` 0 is both sides, 1 the primary side, n layer n. `mask` 0 is open, 1 covered on the primary side, 2 on the
    secondary, 3 on both. `layers` are the first and last layer of a hole. `rotation` is as written, 0 to 999.
    """

    code: str
    net: str
    part: str
    pin: str
    midpoint: bool
    hole: int | None
    plated: bool | None
    access: int | None
    x: int
    y: int
    size_x: int | None
    size_y: int | None
    rotation: int | None
    mask: int | None
    layers: tuple[int, int] | None
    shifted: bool


def parse_record(line: str) -> Record | None:
    """One test record, or None when it is not one that can be understood. Never raises."""
    if len(line) > LONGEST:
        return None
    match = _COLUMNS.match(line.ljust(80))
    shifted = match is None or not _holds_together(match)
    if shifted:
        match = _SHIFTED.match(line)
    if match is None:
        return None
    (code, net, part, dash, pin, mid, hole, plated, access, x, y, size_x, size_y, rotation, mask, first, last) = (
        match.groups()
    )
    x_units, y_units = _number(x), _number(y)
    if x_units is None or y_units is None:
        return None
    return Record(
        code,
        net.strip(" "),
        part.strip(" "),
        pin.strip(" ") if dash == "-" else "",
        mid == "M",
        _number(hole),
        {"P": True, "U": False}.get(plated),
        _number(access),
        x_units,
        y_units,
        _number(size_x),
        _number(size_y),
        _number(rotation),
        _number(mask),
        (int(first), int(last)) if first else None,
        shifted,
    )


def _holds_together(match: re.Match[str]) -> bool:
    """Whether designator and pin stand in their own columns: a dash in 27, or neither dash nor pin."""
    return match["dash"] == "-" or (match["dash"] == " " and not match["pin"].strip(" "))


def _number(text: str | None) -> int | None:
    """Digits padded with blanks or zeros on either side, with or without a sign in front."""
    if not text:
        return None
    try:
        return int(text)  # the patterns let nothing but digits, blanks and signs through
    except ValueError:
        pass
    sign, digits = text[0], text[1:].strip(" ")
    if sign not in "+-" or not digits.isdecimal():
        return None
    return -int(digits) if sign == "-" else int(digits)
