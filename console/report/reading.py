"""A session read for its report: the fold, and beside it what was tried, proposed, answered and repaired, in order.

Memory is bounded whatever a capture holds: of very many steps the first and the last are kept.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, Generic, TypeVar

from console.causes.catalogue import catalogue
from console.errors import Outcome
from console.events import Chunk, Event, LineEvent, LineKind, Mark, MarkKind, Value
from console.report.excerpt import Excerpt, excerpt
from console.report.model import Point
from console.session.stage import VERDICTS, ends
from console.session.wording import mark_words
from console.snapshot import Fold, Snapshot, ended
from console.text import clean
from console.words import count_of, measure, moment, outcome_words, percent

_KEPT: Final = 64  # steps kept from the beginning, and as many from the end
_MOST_THOUGHTS: Final = 40  # weighing the causes takes milliseconds each time
_MOST_STAGES: Final = 20
_MOST_FAILURES: Final = 3
_BEFORE, _AFTER = 8, 2  # rows around a failure
_EXCHANGE: Final = 10  # rows of a question and its answer
_FEW: Final = 4  # rows of what came unasked, or of a line error
STANDS: Final = "stands"
_UNDOABLE: Final = ("check", "skip", "at-hand")
_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class CaptureInfo:
    """The file a session was read from: its name as given, its digest, what of it could not be read."""

    name: str
    sha256: str
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """What the operator found at a step: `at_s` since the first event, in words; `fate` says whether it stands."""

    at_s: float
    step: str
    title: str
    value: str
    outcome: str
    fate: str = STANDS


@dataclass(frozen=True, slots=True)
class SessionRecord:
    """Everything a report tells of one session. `story` holds a lead with the time, words, and details; `elapsed_s` is
    the time from the first event to the last."""

    capture: CaptureInfo
    snapshot: Snapshot
    started_ns: int | None
    story: tuple[Point, ...]
    readings: tuple[ReadingRow, ...]
    excerpt: Excerpt
    bytes_out: int
    bytes_in: int
    elapsed_s: float = 0.0

    @property
    def first_outcome(self) -> Outcome | None:
        """How the first attempt ended that spoke to the board, of a plan its first turn; None where that says nothing
        about the board."""
        plan = self.snapshot.bringup
        over = ends(self.snapshot.stages) if plan is None else plan.ends()
        outcome = next((outcome for _, outcome in over), None)
        return outcome if outcome in VERDICTS else None


class _Ends(Generic[_T]):
    """The first and the last of many."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._first: list[_T] = []
        self._last: deque[_T] = deque(maxlen=most)
        self.left_out = 0

    def add(self, item: _T) -> None:
        if len(self._first) < self._most:
            self._first.append(item)
        else:
            self.left_out += len(self._last) == self._most
            self._last.append(item)

    def split(self) -> tuple[list[_T], list[_T]]:
        return self._first, list(self._last)


class _Step:
    """One step of the story while it is told; stages are added to the attempt they belong to."""

    def __init__(self, at_s: float, text: str) -> None:
        self.at_s = at_s
        self.text = text
        self.more: list[str] = []
        self.unsaid = 0

    def point(self) -> Point:
        more = (*self.more, *((f"and {count_of(self.unsaid, 'more stage')}",) if self.unsaid else ()))
        return Point(self.text, moment(self.at_s), more)


class SessionReader:
    """Takes the events of one session one by one; `record` gives what a report needs."""

    def __init__(self) -> None:
        self.fold = Fold()
        self._start_ns: int | None = None
        self._last_ns = 0
        self._steps: _Ends[_Step] = _Ends(_KEPT)
        self._attempt: _Step | None = None
        self._thoughts = 0
        self._doubt = False  # something failed or was answered since the last thought
        self._stage_ns = 0
        self._bytes = {"out": 0, "in": 0}
        self._stage_bytes = {"out": 0, "in": 0}
        self._readings: list[ReadingRow] = []
        self._told: list[int | None] = []  # index of a reading, None for what has no row, as "undo" takes them back
        self._failures: _Ends[int] = _Ends(_MOST_FAILURES)
        self._first_row: dict[str, int] = {}
        self._turn = 0
        self._last_direction = ""

    def add(self, event: Event) -> None:
        """Take one event; any event is acceptable, whatever its source."""
        self._start_ns = event.t_ns if self._start_ns is None else self._start_ns
        self._last_ns = max(self._last_ns, event.t_ns)
        if isinstance(event, Mark) and event.kind in (MarkKind.OPERATOR, MarkKind.ATTEMPT):
            self._think(event)
        row = len(self.fold.trace)
        self.fold.add(event)
        match event:
            case Chunk():
                self._chunk(event, row)
            case LineEvent() if event.kind is not LineKind.LINES:
                self._first_row.setdefault("line", row)
            case Mark():
                self._mark(event, row)

    def record(self, capture: CaptureInfo) -> SessionRecord:
        """What the report tells, as things are now."""
        first, last = self._steps.split()
        story = [step.point() for step in first]
        if self._steps.left_out:
            story.append(Point(f"left out here: {count_of(self._steps.left_out, 'step')}", "…"))
        story += [step.point() for step in last]
        return SessionRecord(
            capture=capture,
            snapshot=ended(self.fold.snapshot()),
            started_ns=self._start_ns,
            story=tuple(story),
            readings=tuple(self._judged()),
            excerpt=excerpt(self.fold.trace, self._ranges()),
            bytes_out=self._bytes["out"],
            bytes_in=self._bytes["in"],
            elapsed_s=self._at_s(self._last_ns),
        )

    def _ranges(self) -> list[range]:
        """Rows worth showing: what came first, the first exchange, what surrounds failures, the last exchange."""
        failed = [row for part in self._failures.split() for row in part]
        around = [range(row - _BEFORE, row + _AFTER) for row in failed]
        firsts = [range(row, row + (_EXCHANGE if kind == "out" else _FEW)) for kind, row in self._first_row.items()]
        last = [range(self._turn, self._turn + _EXCHANGE)] if self._last_direction else []
        return [*firsts, *around, *last]

    def _judged(self) -> Iterator[ReadingRow]:
        """Only the latest reading at a step counts."""
        latest = {row.step: row for row in self._readings if row.fate == STANDS}
        for row in self._readings:
            again = row.fate == STANDS and latest[row.step] is not row
            yield replace(row, fate="done again later") if again else row

    def _at_s(self, t_ns: int) -> float:
        return max(0, t_ns - (self._start_ns or 0)) / 1e9

    def _chunk(self, chunk: Chunk, row: int) -> None:
        self._bytes[chunk.direction] += len(chunk.data)
        self._stage_bytes[chunk.direction] += len(chunk.data)
        self._first_row.setdefault(chunk.direction, row)
        if chunk.direction == "out" and self._last_direction != "out":
            self._turn = row
        self._last_direction = chunk.direction

    def _mark(self, mark: Mark, row: int) -> None:
        match mark.kind:
            case MarkKind.SETTINGS:
                self._say(mark.t_ns, mark_words(mark))
            case MarkKind.ATTEMPT:
                self._attempt = self._say(mark.t_ns, mark_words(mark))
            case MarkKind.STAGE_BEGIN:
                self._stage_ns = mark.t_ns
                self._stage_bytes = {"out": 0, "in": 0}
            case MarkKind.STAGE_END:
                self._stage_end(mark, row)
            case MarkKind.OPERATOR:
                self._say(mark.t_ns, mark_words(mark))
                self._operator(mark)
            case MarkKind.LINK_LOST | MarkKind.ERROR | MarkKind.STOPPED:
                self._say(mark.t_ns, mark_words(mark))
                self._failures.add(row)
                self._doubt = True

    def _say(self, t_ns: int, text: str) -> _Step:
        step = _Step(self._at_s(t_ns), text)
        self._steps.add(step)
        return step

    def _stage_end(self, mark: Mark, row: int) -> None:
        word = str(mark.fields.get("outcome", ""))
        outcome = Outcome(word) if word in set(Outcome) else Outcome.INTERNAL
        name, message = (clean(str(mark.fields.get(key) or "")) for key in ("name", "message"))
        took = moment(max(0, mark.t_ns - self._stage_ns) / 1e9)
        sent, received = self._stage_bytes["out"], self._stage_bytes["in"]
        text = f"{name}: {outcome_words(outcome)} after {took}; {count_of(sent, 'byte')} sent, {received} received"
        step = self._attempt or self._say(mark.t_ns, f"stage {name}")
        if len(step.more) < _MOST_STAGES:
            step.more.append(f"{text}: {message}" if message else text)
        else:
            step.unsaid += 1
        if outcome is not Outcome.OK:
            self._failures.add(row)
            self._doubt = True

    def _think(self, mark: Mark) -> None:
        """What the tool held most likely before the next thing happened: else nobody sees why it was proposed."""
        if not self._doubt or self._thoughts >= _MOST_THOUGHTS:
            return
        self._doubt = False
        causes = self.fold.snapshot().causes[:2]
        if causes:
            self._thoughts += 1
            told = "; ".join(f"{cause.title} ({percent(cause.probability)})" for cause in causes)
            self._say(mark.t_ns, f"most likely now: {told}")

    def _operator(self, mark: Mark) -> None:
        action = str(mark.fields.get("action", ""))
        if action == "undo" and self._told:
            number = self._told.pop()
            if number is not None:
                self._readings[number] = replace(self._readings[number], fate="taken back")
        elif action in _UNDOABLE:
            kept = action == "check" and len(self._readings) < _KEPT
            if kept:
                self._readings.append(_reading(self._at_s(mark.t_ns), mark.fields))
            self._told.append(len(self._readings) - 1 if kept else None)
            del self._told[:-_KEPT]
        self._doubt = self._doubt or action in ("check", "undo")


def _reading(at_s: float, fields: Mapping[str, Value]) -> ReadingRow:
    step, title, outcome, unit = (clean(str(fields.get(key) or "")) for key in ("check", "title", "outcome", "unit"))
    known = catalogue().step(step)
    value = fields.get("value")
    told = ""
    if isinstance(value, int | float) and not isinstance(value, bool):
        told = measure(value, unit)
    return ReadingRow(at_s, step, title or (known.title if known else ""), told, outcome)
