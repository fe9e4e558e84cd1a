"""The trace: every byte with its time and meaning, kept so compactly that a million chunks fit in memory.

Spans live in parallel arrays over one byte log and are turned into rows of at most 8 bytes only when somebody looks.
The store only grows, so a view can follow it incrementally.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Final, Literal

from protocols.family import Role, Span

Kind = Literal["out", "in", "line", "mark"]
ROW_BYTES: Final = 8  # as many as a narrow terminal shows beside their meaning
_KINDS: Final[tuple[Kind, ...]] = ("out", "in", "line", "mark")
_KIND_CODE: Final[dict[str, int]] = {kind: code for code, kind in enumerate(_KINDS)}
_ROLES: Final[tuple[Role | None, ...]] = (None, *Role)
_ROLE_CODE: Final[dict[Role | None, int]] = {role: code for code, role in enumerate(_ROLES)}
_STRAY: Final = _ROLE_CODE[Role.STRAY]
_JOIN_WITHIN_NS: Final = 20_000_000  # bytes of one field that trickle in this close together share a row


@dataclass(frozen=True, slots=True)
class TraceRow:
    """One line of the trace. `data` holds at most 8 bytes; a longer span goes on in the next row."""

    t_ns: int
    kind: Kind
    data: bytes
    text: str
    role: Role | None
    command: str
    stage: str


class Trace:
    """All spans, line events and marks in order."""

    def __init__(self) -> None:
        self.start_ns: int | None = None
        self.stage_rows: list[tuple[str, int]] = []
        self._stage = 0
        self._log = bytearray()
        self._t = array("q")
        self._kind = array("b")
        self._role = array("b")
        self._text = array("I")
        self._command = array("I")
        self._stages = array("I")
        self._offset = array("Q")
        self._length = array("Q")
        self._first_row = array("Q")
        self._rows = 0
        self._words: list[str] = [""]
        self._word_ids: dict[str, int] = {"": 0}

    def __len__(self) -> int:
        return self._rows

    @property
    def entries(self) -> int:
        """Number of spans, line events and marks."""
        return len(self._t)

    @property
    def byte_count(self) -> int:
        """All bytes of both directions."""
        return len(self._log)

    def stage(self, name: str) -> None:
        """What follows belongs to this stage; an empty name ends it."""
        self._stage = self._word(name)
        if name:
            self.stage_rows.append((name, self._rows))

    def spans(self, t_ns: int, spans: Iterable[Span]) -> None:
        """Append what one chunk meant."""
        for span in spans:
            text, command = self._word(span.text), self._word(span.command)
            kind, role = _KIND_CODE[span.direction], _ROLE_CODE[span.role]
            if not self._joins_last(t_ns, kind, role, text, command, len(span.data)):
                self._append(t_ns, kind, role, text, command, len(span.data))
            self._log += span.data

    def remark(self, t_ns: int, kind: Literal["line", "mark"], text: str, data: bytes = b"") -> None:
        """Append a line event or a mark in words."""
        self._append(t_ns, _KIND_CODE[kind], 0, self._word(text), 0, len(data))
        self._log += data

    def row(self, index: int) -> TraceRow:
        """The row at `index` (0 <= index < len)."""
        if not 0 <= index < self._rows:
            raise IndexError(index)
        entry = bisect_right(self._first_row, index) - 1
        return self._row(entry, index - self._first_row[entry])

    def rows(self, start: int = 0, stop: int | None = None) -> Iterator[TraceRow]:
        """Rows from `start` up to `stop`."""
        end = self._rows if stop is None else min(stop, self._rows)
        return (self.row(index) for index in range(start, end))

    def entry_rows(self, entry: int) -> int:
        """How many rows an entry takes."""
        after = self._first_row[entry + 1] if entry + 1 < len(self._first_row) else self._rows
        return after - self._first_row[entry]

    def first_row_of(self, entry: int) -> int:
        """Row index at which an entry begins."""
        return self._first_row[entry]

    def kind_and_stray(self, entry: int) -> tuple[Kind, bool]:
        """What a filter needs to know of an entry."""
        return _KINDS[self._kind[entry]], self._role[entry] == _STRAY

    def _row(self, entry: int, part: int) -> TraceRow:
        start = self._offset[entry] + part * ROW_BYTES
        end = min(start + ROW_BYTES, self._offset[entry] + self._length[entry])
        return TraceRow(
            self._t[entry],
            _KINDS[self._kind[entry]],
            bytes(self._log[start:end]),
            self._words[self._text[entry]],
            _ROLES[self._role[entry]],
            self._words[self._command[entry]],
            self._words[self._stages[entry]],
        )

    def _joins_last(self, t_ns: int, kind: int, role: int, text: int, command: int, size: int) -> bool:
        if not self._t:
            return False
        last = len(self._t) - 1
        if not (
            self._kind[last] == kind
            and self._role[last] == role
            and self._text[last] == text
            and self._command[last] == command
            and self._stages[last] == self._stage
            and t_ns - self._t[last] <= _JOIN_WITHIN_NS
        ):
            return False
        if not 0 < self._length[last] <= ROW_BYTES - size:
            return False  # joining may fill the row but never add one: views rely on it
        self._length[last] += size
        return True

    def _append(self, t_ns: int, kind: int, role: int, text: int, command: int, size: int) -> None:
        if self.start_ns is None:
            self.start_ns = t_ns
        self._t.append(t_ns)
        self._kind.append(kind)
        self._role.append(role)
        self._text.append(text)
        self._command.append(command)
        self._stages.append(self._stage)
        self._offset.append(len(self._log))
        self._length.append(size)
        self._first_row.append(self._rows)
        self._rows += max(1, -(-size // ROW_BYTES))

    def _word(self, text: str) -> int:
        found = self._word_ids.get(text)
        if found is None:
            found = self._word_ids[text] = len(self._words)
            self._words.append(text)
        return found


class TraceFilter(Enum):
    """Which rows a view shows."""

    ALL = "all"
    OUT = "sent"
    IN = "received"
    MARKS = "marks"
    STRAY = "out of place"

    def admits(self, kind: Kind, stray: bool) -> bool:
        """Whether an entry of this kind is shown."""
        match self:
            case TraceFilter.ALL:
                return True
            case TraceFilter.STRAY:
                return stray or kind == "line"
            case TraceFilter.MARKS:
                return kind in ("mark", "line")
            case TraceFilter.OUT:
                return kind == "out"
            case TraceFilter.IN:
                return kind == "in"


class TraceView(Sequence[TraceRow]):
    """The rows of a trace that a filter admits; `refresh` follows growth without starting over."""

    def __init__(self, trace: Trace, filter: TraceFilter = TraceFilter.ALL) -> None:
        self.trace = trace
        self.filter = filter
        self._entries = array("Q")
        self._first = array("Q")
        self._rows = 0
        self._seen = 0
        self.refresh()

    def refresh(self) -> None:
        """Take in what the trace gained since the last call."""
        if self.filter is TraceFilter.ALL:
            self._rows = len(self.trace)
            return
        for entry in range(self._seen, self.trace.entries):
            if self.filter.admits(*self.trace.kind_and_stray(entry)):
                self._entries.append(entry)
                self._first.append(self._rows)
                self._rows += self.trace.entry_rows(entry)
        self._seen = self.trace.entries

    def __len__(self) -> int:
        return self._rows

    def __getitem__(self, index: int) -> TraceRow:  # type: ignore[override]  # no slices: rows are made one by one
        return self.row(index)

    def row(self, index: int) -> TraceRow:
        """The row at `index` of this view."""
        return self.trace.row(self.trace_index(index))

    def trace_index(self, index: int) -> int:
        """Row of the whole trace that stands at `index` of this view."""
        if not 0 <= index < self._rows:
            raise IndexError(index)
        if self.filter is TraceFilter.ALL:
            return index
        at = bisect_right(self._first, index) - 1
        return self.trace.first_row_of(self._entries[at]) + index - self._first[at]

    def index_of(self, row: int) -> int:
        """Where row `row` of the whole trace stands here: itself or the next admitted one (len at the end)."""
        if self.filter is TraceFilter.ALL:
            return min(row, self._rows)
        low, high = 0, self._rows
        while low < high:
            middle = (low + high) // 2
            if self.trace_index(middle) < row:
                low = middle + 1
            else:
                high = middle
        return low
