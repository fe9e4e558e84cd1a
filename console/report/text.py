"""A report as plain text of at most 100 columns: the same blocks, in the same order, as on the page."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from console.report.model import (
    SHARES,
    Axis,
    Bar,
    Block,
    Drawn,
    Facts,
    Paragraph,
    Part,
    Points,
    Report,
    Table,
    Timeline,
)
from console.text import clean
from console.words import count_of, moment, seconds

WIDTH: Final = 100
_LONGEST: Final = 4000
_AXIS: Final = 40
_SIGNS: Final = ("█", "▓", "▒", "·")
_MOST_CELL: Final = 40
_DRAWN: Final = 20
_LAST_LEAST: Final = 24
_GAP: Final = "  "


def lines(report: Report) -> Iterator[str]:
    """The whole report line by line, without line ends."""
    yield from _heading(report.title, "=")
    for block in report.lead:
        yield from _block(block)
        yield ""
    for part in report.parts:
        yield from _part(part, len(report.parts) > 1)
    yield from _wrapped("", report.foot)


def _part(part: Part, several: bool) -> Iterator[str]:
    if several:
        yield from _heading(part.title, "=")
    for section in part.sections:
        yield from _heading(section.title, "-")
        for block in section.blocks:
            yield from _block(block)
            yield ""


def _heading(title: str, line: str) -> Iterator[str]:
    told = list(_wrapped("", title))
    yield from told
    yield line * max(map(len, told))
    yield ""


def _block(block: Block) -> Iterator[str]:
    match block:
        case Paragraph():
            yield from _wrapped("", block.text)
        case Points():
            yield from _points(block)
        case Facts():
            room = max((len(_text(name)) for name, _ in block.rows), default=0) + 1
            for name, value in block.rows:
                yield from _wrapped(f"{_text(name) + ':':<{room}} ", value)
        case Table():
            yield from _table(block)
        case Timeline():
            yield from _timeline(block)


def _points(points: Points) -> Iterator[str]:
    room = max((len(_text(point.lead)) for point in points.items), default=0)
    for point in points.items:
        head = f"{_text(point.lead):>{room}}  " if room else "- "
        yield from _wrapped(head, point.text)
        for one in point.more:
            yield from _wrapped(" " * len(head) + "- ", one)


def _table(table: Table) -> Iterator[str]:
    yield from _wrapped("", table.caption)
    yield ""
    cells = [tuple(column.title for column in table.columns), *table.rows]
    safe = [[_text(cell) if isinstance(cell, str) else _text(cell.words) for cell in row] for row in cells]
    rooms = [min(_MOST_CELL, max(len(row[at]) for row in safe)) for at in range(len(table.columns))]
    rooms = [_DRAWN if column.kind == "drawn" else room for room, column in zip(rooms, table.columns, strict=True)]
    spare = WIDTH - sum(rooms[:-1]) - len(_GAP) * (len(rooms) - 1)
    rooms[-1] = max(_LAST_LEAST, spare)
    while sum(rooms) + len(_GAP) * (len(rooms) - 1) > WIDTH:
        widest = max((at for at in range(len(rooms)) if table.columns[at].kind != "drawn"), key=rooms.__getitem__)
        rooms[widest] -= 1
    for number, row in enumerate(safe):
        wrapped = [textwrap.wrap(cell, room) if cell else [""] for cell, room in zip(row, rooms, strict=True)]
        wrapped = [
            _kept(cell, room) if column.kind == "code" else found
            for cell, room, found, column in zip(row, rooms, wrapped, table.columns, strict=True)
        ]
        drawn = ((at, cell) for at, cell in enumerate(cells[number]) if isinstance(cell, Drawn))
        for at, cell in drawn:
            wrapped[at] = [_line(cell), *wrapped[at]]
        for at in range(max(map(len, wrapped))):
            pieces = [found[at] if at < len(found) else "" for found in wrapped]
            told = (
                f"{piece:>{room}}" if column.kind == "number" else f"{piece:<{room}}"
                for piece, room, column in zip(pieces, rooms, table.columns, strict=True)
            )
            yield _GAP.join(told).rstrip()
        if number == 0:
            yield _GAP.join("-" * room for room in rooms[:-1]) + _GAP + "-" * min(rooms[-1], len(row[-1]) or 1)


def _line(drawn: Drawn) -> str:
    """The line to scale; every stretch is at least one column long, and a bad one shows over a good one."""
    out = ["·"] * _DRAWN
    for span in sorted(drawn.spans, key=lambda span: not span.good):
        first = min(_DRAWN - 1, max(0, int(span.begin * _DRAWN)))
        last = min(_DRAWN, max(first + 1, round(span.end * _DRAWN)))
        out[first:last] = ("█" if span.good else "▓") * (last - first)
    return "".join(out)


def _kept(cell: str, room: int) -> list[str]:
    """Cut where the room ends: blanks in target's bytes are content."""
    return [cell[at : at + room] for at in range(0, len(cell), room)] or [""]


def _timeline(timeline: Timeline) -> Iterator[str]:
    for axis in timeline.axes:
        yield from _axis(axis)
        yield ""
    for sign, (name, meaning) in zip(_SIGNS, SHARES, strict=True):
        yield f"{sign} {name}: {meaning}"


def _axis(axis: Axis) -> Iterator[str]:
    yield from _wrapped("", f"{axis.title}, {seconds(axis.span_s)} in all")
    for bar in axis.bars:
        yield f"  |{_strip(bar, axis.span_s)}|"
        words = f"{bar.name} {bar.result} {seconds(bar.elapsed_s)}, from {moment(bar.start_s)}"
        told = ", ".join(f"{name} {seconds(s)}" for (name, _), s in zip(SHARES, bar.spent_s, strict=True))
        yield from _wrapped("   ", f"{words}: {told}; {count_of(bar.bytes_out, 'byte')} sent, {bar.bytes_in} received")


def _strip(bar: Bar, span_s: float) -> str:
    """The bar on its axis, to scale and at least one column long."""
    scale = _AXIS / span_s if span_s > 0 else 0.0
    at = min(_AXIS - 1, int(bar.start_s * scale))
    length = max(1, min(_AXIS - at, round(bar.elapsed_s * scale)))
    out = ""
    for sign, end in zip(_SIGNS, bar.ends(), strict=True):
        out += sign * max(0, round(end * length) - len(out))
    return (" " * at + out).ljust(_AXIS)


def _wrapped(head: str, text: str) -> list[str]:
    safe = _text(text).replace(" %", "\xa0%")  # a figure and its sign stay together
    above: list[str] = []
    if len(head) > WIDTH // 2:  # no room beside it
        above, head = textwrap.wrap(head, WIDTH), "    "
    found = textwrap.wrap(safe, WIDTH, initial_indent=head, subsequent_indent=" " * len(head)) or [head.rstrip()]
    return [line.replace("\xa0", " ") for line in (*above, *found)]


def _text(text: str) -> str:
    return clean(text, _LONGEST)
