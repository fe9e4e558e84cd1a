"""What the two text formats share: lines of hex digits, messages with line and column, and collecting what they give.

Libraries were weighed and are good at right files, but not at saying what is wrong with the others: bincopy 20 names
no line, takes a file without its end record, and adds what stands behind that record; intelhex 2.3 names the line but
reads one of the two formats, takes a file without its end record and leaves out in silence what stands behind it;
hexrec 0.5 names no line and lets overlaps pass. A file cut short in transfer would reach the chip. So reading is our
own, and the tests compare it with bincopy, GNU objcopy and srec_cat.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from itertools import accumulate, pairwise
from typing import Final, NoReturn

from console.errors import InputTrouble
from console.images.image import ADDRESS_LIMIT, Segment, joined
from console.text import quoted
from console.words import count_of

# every run costs memory beyond its bytes; real images have a handful
MAX_RUNS: Final = 500_000
_HEX_DIGITS: Final = frozenset(b"0123456789ABCDEFabcdef")
MAKE_AGAIN: Final = "make the file again or copy it again; do not repair it by hand"


def lines_of(data: bytes) -> Iterator[bytes]:
    """Lines with their ends, one at a time: a file of nothing but line ends must not become a list of millions."""
    return iter(io.BytesIO(data if b"\n" in data else data.replace(b"\r", b"\n")))


class Pieces:
    """Collects bytes by address, remembers their lines, and refuses what is given twice."""

    def __init__(self, code: str, path: str) -> None:
        self._code = code
        self._path = path
        self._runs: list[tuple[int, int, list[bytes]]] = []

    def begin(self, address: int, line: int) -> list[bytes]:
        """A list for the bytes from `address`: one item (not empty) per line, `line` and the lines behind it."""
        if len(self._runs) >= MAX_RUNS:
            self.wrong(line, 1, f"more than {MAX_RUNS} separate pieces", note="a firmware image has a handful")
        run: list[bytes] = []
        self._runs.append((address, line, run))
        return run

    def segments(self) -> tuple[Segment, ...]:
        """Everything collected. Raises InputTrouble for no data, overlaps, and addresses beyond 32 bits."""
        runs = sorted((run for run in self._runs if run[2]), key=lambda run: run[0])
        if not runs:
            raise InputTrouble(self._code, "the file holds no data, only its frame", where=self._path, help=MAKE_AGAIN)
        ends = [address + sum(map(len, chunks)) for address, _, chunks in runs]
        for (below, end), (above, _) in pairwise(zip(runs, ends, strict=True)):
            if end > above[0]:
                self._twice(below, above)
        if ends[-1] > ADDRESS_LIMIT:
            line = _line_of(runs[-1], ADDRESS_LIMIT)
            self.wrong(line, 1, "data behind address 0xFFFFFFFF", note="a 32-bit chip has no such address")
        return joined(Segment(address, b"".join(chunks)) for address, _, chunks in runs)

    def _twice(self, below: tuple[int, int, list[bytes]], above: tuple[int, int, list[bytes]]) -> NoReturn:
        address = above[0]
        first, second = sorted((_line_of(below, address), above[1]))
        self.wrong(
            second,
            1,
            f"address 0x{address:08X} is given again, after line {first}",
            "each address once",
            note="what is written would depend on the order of the lines",
            help="find out which of the two is meant; files that were pasted together are merged by the linker instead",
        )

    def digits(self, number: int, line: bytes, first: int) -> NoReturn:
        """Say what is wrong with the hex digits of a line from index `first` on."""
        for column, char in enumerate(line[first:], first + 1):
            if char not in _HEX_DIGITS:
                self.wrong(number, column, f"'{quoted(bytes((char,)))}' stands where a hex digit belongs")
        self.wrong(number, len(line), f"an odd number of hex digits ({len(line) - first})", "two digits for each byte")

    def count(self, number: int, column: int, said: int, found: int) -> NoReturn:
        """Say that a record's length field and its length differ."""
        self.wrong(number, column, f"the record says it has {count_of(said, 'byte')}, but it has {found}")

    def checksum(self, number: int, line: bytes, found: int, right: int) -> NoReturn:
        """Say that a record's checksum is wrong; it stands in the last two digits."""
        self.wrong(number, len(line) - 1, f"the checksum is {found:02X}", f"{right:02X} for this record's bytes")

    def wrong(
        self, line: int, column: int, found: str, right: str = "", *, note: str = "", help: str = MAKE_AGAIN
    ) -> NoReturn:
        """Raise InputTrouble with line and column (from 1), what was found, what would stand there instead, and why."""
        where = f"{self._path}:{line}:{column}"
        note = "; ".join(filter(None, (f"right would be: {right}" if right else "", note)))
        raise InputTrouble(self._code, f"line {line}, column {column}: {found}", where=where, note=note, help=help)

    def unfinished(self, lines: int, record: str) -> NoReturn:
        """Say that the record that ends a file is missing."""
        self.wrong(
            max(lines, 1),
            1,
            f"the file ends without its end record ({record})",
            note="it may be cut short, so nothing of it is taken",
        )


def _line_of(run: tuple[int, int, list[bytes]], address: int) -> int:
    """The line of a run that gives `address`."""
    start, line, chunks = run
    return line + sum(1 for end in accumulate(map(len, chunks)) if start + end <= address)
