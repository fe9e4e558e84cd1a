"""A whole netlist in IPC-D-356 or 356A: header, aliases, test records, end. Bytes in, `Netlist` out; no file is opened.

Order of a file, parameters and aliases as a public university handout on IPC-D-356A gives them; how real writers stray
as the sources of free layout programs and readers show. One bad record never costs the file: it is left out, counted,
and the first lines are named. Names come out clean (`console.text`), so that nothing behind can forget it.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Final

from console.boards.circuit import Circuit, Pin
from console.boards.record import VIA, Record, parse_record
from console.errors import InputTrouble
from console.text import clean, quoted

MOST_BYTES: Final = 64 * 1024 * 1024
_NO_NET: Final = ("", "N/C")
_NO_PART: Final = ("", VIA)
_LINES_NAMED: Final = 5
_ALIAS: Final = "NNAME"
# P  UNITS CUST n: millimetres per unit as numerator and denominator, exact before the one division
_UNITS: Final = {"0": (254, 100_000), "1": (1, 1000), "2": (254, 100_000)}
_UNIT_WORDS: Final = {"0": "0.0001 inch", "1": "0.001 mm", "2": "0.0001 inch"}
# parameters that say nothing about nets, parts and places; two spellings of the array's size
_NOT_NEEDED: Final = frozenset(
    {"CODE", "TITLE", "NUM", "REV", "VER", "DIM", "arrayDim", "SOURCE", "TEST", "BOARD_THICKNESS"}
)
_PLACE_CODES: Final = frozenset({"317", "327", "307"})
_HOLE_CODE: Final = "367"
_GOES_ON: Final = {"017": "317", "027": "327", "007": "307", "067": "367"}
# conductors, adjacency and outlines say nothing about pins
_OTHER_CODES: Final = frozenset({"378", "078", "379", "079", "389", "089"})
_END: Final = "999"


@dataclass(frozen=True, slots=True)
class Notice:
    """Something in the file that is not as it should be; `lines` are the first line numbers of `count`, from 1."""

    text: str
    count: int
    lines: tuple[int, ...]

    def __str__(self) -> str:
        if not self.lines:
            return self.text
        more = ", …" if self.count > len(self.lines) else ""
        where = f"line{'s' if self.count > 1 else ''} {', '.join(map(str, self.lines))}{more}"
        return f"{self.text} ({where})" if self.count == 1 else f"{self.text}: {self.count} times ({where})"


@dataclass(frozen=True, slots=True)
class Netlist:
    """What a netlist file says.

    `units` is the file's length unit in words; all places in `circuit` are in millimetres. `vias` are vias (part
    "VIA") and pads of no part (part ""). `touchable` maps a net to the places where a probe meets bare metal: the
    pins and vias as they are, but with the side from which they can be reached. `aliases` maps short names to long
    ones. `holes` counts tooling and unplated holes.
    """

    file: str
    job: str
    units: str
    circuit: Circuit
    vias: tuple[Pin, ...]
    touchable: Mapping[str, tuple[Pin, ...]]
    aliases: Mapping[str, str]
    holes: int
    notices: tuple[Notice, ...]


def parse_netlist(data: bytes, file: str = "netlist") -> Netlist:
    """The netlist in `data`; `file` is only for the words of errors.

    Raises InputTrouble `netlist` (too big, or no test record in it; `where` is file and line).
    """
    if len(data) > MOST_BYTES:
        raise InputTrouble(
            "netlist",
            f"{len(data)} bytes are too many for a netlist; the limit is {MOST_BYTES}",
            where=clean(file),
            help="export the netlist of one board alone",
        )
    reader = _Reader(file)
    reader.read(data.removeprefix(codecs.BOM_UTF8))
    return reader.netlist()


@dataclass(slots=True)
class _Reader:
    """The fold over the lines of one file."""

    file: str
    job: str = ""
    unit_code: str = ""
    records: list[Record] = field(default_factory=list)
    line_numbers: list[int] = field(default_factory=list)  # one for each of the records
    holes: int = 0
    long_names: dict[str, str] = field(default_factory=dict)
    taken: set[str] = field(default_factory=set)
    images: int = 0
    last: Record | None = None
    first_foreign: tuple[int, str] | None = None
    counts: dict[str, list[int]] = field(default_factory=dict)

    def read(self, data: bytes) -> None:
        """Take all lines in, up to the end record."""
        ended = 0
        for number, line in _lines(data):
            if ended:
                self._note("text after the end record 999 was not read", number)
                break
            if line.startswith("C"):
                continue
            if line.startswith("P"):
                self._parameter(line, number)
            elif line.startswith(_END):
                ended = number
            else:
                self._record(line, number)
        if not ended:
            self._note("the end record 999 is missing; the file may be cut short", 0)

    def _parameter(self, line: str, number: int) -> None:
        keyword, _, value = line[1:].strip(" ").partition(" ")
        value = value.strip(" ")
        if keyword == "JOB":
            self.job = self.job or clean(value, 62)  # columns 10 to 72
        elif keyword == "UNITS":
            self._units(value, number)
        elif keyword.startswith(_ALIAS) and len(keyword) > len(_ALIAS) and value:
            self._alias(keyword[len(_ALIAS) :], value, number)
        elif keyword == "IMAGE":
            self.images += 1
        elif keyword not in _NOT_NEEDED:
            self._note("a parameter is not known and was left out", number)

    def _units(self, value: str, number: int) -> None:
        match = re.fullmatch(r"CUST\s*([0-9]?)", value)
        code = (match[1] or "0") if match else "?"
        if not self.unit_code:
            self.unit_code = code
            if code not in _UNITS:
                self._note(f"unit {clean(value, 20)} is not known, so places are left out", number)
        elif code != self.unit_code:
            self._note("the unit is given twice; the first one counts", number)

    def _alias(self, token: str, long_name: str, number: int) -> None:
        if token in self.long_names and self.long_names[token] != long_name:
            self._note("a net alias is given twice with different names; the first one counts", number)
            return
        if token not in self.long_names and long_name in self.taken:
            # writers cut names that are too long, so these can be two nets
            self._note("two aliases stand for the same long name; both are kept apart", number)
            long_name = f"{long_name} ({token})"
        self.long_names[token] = long_name
        self.taken.add(long_name)

    def _record(self, line: str, number: int) -> None:
        code = line[:3]
        if self.images > 1:
            self._note("records of further images (other boards of the panel) were left out", number)
        elif code in _OTHER_CODES:
            self.last = None
        elif code in _PLACE_CODES or code == _HOLE_CODE or code in _GOES_ON:
            record = parse_record(line)
            if record is None:
                self.last = None
                self._note("a test record could not be understood and was left out", number)
            else:
                self._place(record, number)
        else:
            self.last = None
            self.first_foreign = self.first_foreign or (number, line)
            self._note("a line is no record of this format and was left out", number)

    def _place(self, record: Record, number: int) -> None:
        if record.shifted:
            self._note("fields stand outside their columns and were read by their letters", number)
        if record.code in _GOES_ON:
            if self.last is None:
                self._note("a continuation follows nothing and was left out", number)
                return
            record = _continued(self.last, record)
        self.last = record
        if record.code == _HOLE_CODE:
            self.holes += 1
            return
        self.records.append(record)
        self.line_numbers.append(number)

    def _note(self, text: str, line: int) -> None:
        self.counts.setdefault(text, []).append(line)

    def netlist(self) -> Netlist:
        """Everything taken in as a netlist. Raises InputTrouble when there is no test record in it."""
        if not self.records:
            where, found = clean(self.file), "; ".join(map(str, self._notices())) or "it is empty"
            if self.first_foreign is not None:
                where += f":{self.first_foreign[0]}"
                found = f"the first line of another kind is “{quoted(self.first_foreign[1].encode('latin-1'), 40)}”"
            raise InputTrouble(
                "netlist",
                f"no test record (317, 327, 307) in it that can be read; {found}",
                where=where,
                help="export the netlist as IPC-D-356 or IPC-D-356A from the layout program",
            )
        if not self.unit_code:
            self._note("no UNITS parameter; taken as CUST 0 (0.0001 inch)", 0)
        places = self._places()
        self._compare_nets()
        touchable: dict[str, list[Pin]] = {}
        for pin, bare_side in places:
            if pin.net and bare_side:
                bare = pin if bare_side == pin.side else replace(pin, side=bare_side)
                touchable.setdefault(pin.net, []).append(bare)
        return Netlist(
            file=clean(self.file),
            job=self.job,
            units=_UNIT_WORDS.get(self.unit_code or "0", "not known"),
            circuit=Circuit(pin for pin, _ in places if pin.part not in _NO_PART),
            vias=tuple(pin for pin, _ in places if pin.part in _NO_PART),
            touchable={net: tuple(pins) for net, pins in touchable.items()},
            aliases={clean(token): clean(name) for token, name in self.long_names.items()},
            holes=self.holes,
            notices=tuple(self._notices()),
        )

    def _places(self) -> list[tuple[Pin, str]]:
        """Every pin, via and free pad with the sides on which its metal is bare; pads at one place are one."""
        names = self._names()
        deepest = max(2, *(max(record.access or 0, *(record.layers or (0,))) for record in self.records))
        unit = _UNITS.get(self.unit_code or "0")
        safe = cache(clean)  # for this file only: the names of one file come back often
        found: dict[tuple[str, str, str, float | None, float | None], tuple[str, str]] = {}
        for record in self.records:
            name = "" if record.part in _NO_PART else safe(record.pin)
            key = (safe(record.part), name, names[record.net], _mm(record.x, unit), _mm(record.y, unit))
            side = _side(record, deepest)
            before, bare_before = found.get(key, ("", ""))
            found[key] = _both(before, side), _both(bare_before, _bare(side, record.mask))
        return [(Pin(*key, side), bare_side) for key, (side, bare_side) in found.items()]

    def _names(self) -> dict[str, str]:
        """From the net field of a record to the clean long name; "" for no net."""
        used: dict[str, int] = {}
        for record, line in zip(self.records, self.line_numbers, strict=True):
            used.setdefault(record.net, line)
        table = {_ALIAS + token: name for token, name in self.long_names.items()}
        if used.keys().isdisjoint(table):
            # one writer's records carry the bare token; only then can it not be a net that is really called so
            table |= self.long_names
        out = {}
        for net, first_line in used.items():
            if net in _NO_NET:
                out[net] = ""
                continue
            if net not in table and re.fullmatch(rf"{_ALIAS}\d+", net):
                self._note("a net alias has no long name in the file", first_line)
            out[net] = clean(table.get(net, net))
        return out

    def _compare_nets(self) -> None:
        nets: dict[tuple[str, str], str] = {}
        for record, line in zip(self.records, self.line_numbers, strict=True):
            if record.part not in _NO_PART and nets.setdefault((record.part, record.pin), record.net) != record.net:
                self._note("a pin is given twice with different nets; both are kept", line)

    def _notices(self) -> Iterator[Notice]:
        for text, lines in self.counts.items():
            real = [line for line in lines if line]
            yield Notice(text, len(lines), tuple(real[:_LINES_NAMED]))


def _lines(data: bytes) -> Iterator[tuple[int, str]]:
    """Number and text of each line that is not blank; ends of lines as any system writes them."""
    text = data.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n")
    for number, line in enumerate(text.split("\n"), 1):
        line = line.rstrip(" \x00\x1a")
        if line:
            yield number, line


def _continued(before: Record, record: Record) -> Record:
    """A continuation with blank net and part taken over; side, place and size are its own.

    That blank fields are inherited stands in no source that was read; writers leave them blank or repeat them.
    """
    same_part = not record.part
    return record._replace(
        code=_GOES_ON[record.code],
        net=record.net or before.net,
        part=before.part if same_part else record.part,
        pin=before.pin if same_part else record.pin,
    )


def _mm(units: int, unit: tuple[int, int] | None) -> float | None:
    return None if unit is None else units * unit[0] / unit[1]


def _side(record: Record, deepest: int) -> str:
    """The outer sides that a feature is on; "" for a buried via and where the file does not say."""
    if record.layers is not None:
        first, last = sorted(record.layers)
        return _both("top" if first <= 1 else "", "bottom" if last >= deepest else "")
    if record.code == "317" or record.access == 0:
        return "both"
    if record.access is None:
        return ""
    if record.code == "307":
        return {1: "top", deepest: "bottom"}.get(record.access, "")
    return "top" if record.access == 1 else "bottom"  # a surface pad is on an outer side, whatever its number


def _bare(side: str, mask: int | None) -> str:
    """The sides without solder mask (0 none covered, 1 the top, 2 the bottom, 3 both)."""
    for bit, covered, left in ((1, "top", "bottom"), (2, "bottom", "top")):
        if (mask or 0) & bit:
            side = left if side == "both" else "" if side == covered else side
    return side


@cache
def _both(one: str, other: str) -> str:
    """Two sides together."""
    if not one or not other or one == other:
        return one or other
    return "both"
