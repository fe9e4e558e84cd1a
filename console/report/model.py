"""What a report is made of: parts, sections, and the few kinds of block both renderings know. Frozen, no markup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from console.session.stage import StageResult
from console.words import outcome_words

Tone = Literal["plain", "good", "bad", "caution"]
Kind = Literal["text", "word", "number", "code", "drawn"]
# where a stage's time went, with what each share means; the order in which bars show them
SHARES: Final = (
    ("wire", "the characters on the line, computed from rate and frame"),
    ("chip", "from our last bit to the board's first"),
    ("host", "from an answer to our next request"),
    ("waited", "for something that did not come"),
)
_MOST_AXES: Final = 12
_MOST_BARS: Final = 40


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text; `tone` sets it apart, and its words must say the same."""

    text: str
    tone: Tone = "plain"


@dataclass(frozen=True, slots=True)
class Point:
    """One item of a list: a short `lead` (a time, a chance), the text, and lines below it."""

    text: str
    lead: str = ""
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Points:
    """A list; `ordered` where the order says something."""

    items: tuple[Point, ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Names with their values."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Column:
    """A column's heading and how its cells are set: text, a few words on one line, figures, bytes, or drawings."""

    title: str
    kind: Kind = "text"


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of a line that is 1 long; `good` is drawn full, else hatched."""

    begin: float
    end: float
    good: bool = True


@dataclass(frozen=True, slots=True)
class Drawn:
    """A cell that is drawn: stretches of a line, and `words` that say the same. `between`: an interval laid over it."""

    words: str
    spans: tuple[Span, ...]
    between: tuple[float, float] | None = None


Cell: TypeAlias = str | Drawn


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells; every row has one cell per column. The first column names the row and is never drawn."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class Bar:
    """One stage on its attempt's axis. Times in seconds, `start_s` from the beginning of the axis."""

    name: str
    result: str
    start_s: float
    elapsed_s: float
    spent_s: tuple[float, float, float, float]  # as in SHARES
    bytes_out: int
    bytes_in: int

    def ends(self) -> tuple[float, ...]:
        """Where each share ends, 0..1 of the bar's length.

        Computed line time can exceed what really passed (a pseudo terminal is faster than its rate says): cut there.
        """
        out, spent = [], 0.0
        for seconds in self.spent_s[:-1]:
            spent += seconds
            out.append(min(1.0, spent / self.elapsed_s) if self.elapsed_s > 0 else float(spent > 0))
        return (*out, 1.0)


@dataclass(frozen=True, slots=True)
class Axis:
    """The stages of one attempt, drawn to scale; `span_s` is the length of the axis in seconds."""

    title: str
    span_s: float
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class Timeline:
    """One axis per attempt: between attempts a person works, and minutes would hide milliseconds."""

    axes: tuple[Axis, ...]
    left_out: int = 0  # attempts between the first and the last ones


Block: TypeAlias = Paragraph | Points | Facts | Table | Timeline


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it. Whoever knows more about a session hands in sections of its own."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Part:
    """One session, or the overview of a batch."""

    title: str
    sections: tuple[Section, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """The whole page: title, what stands below it, the parts, and the line at its end."""

    title: str
    lead: tuple[Block, ...]
    parts: tuple[Part, ...]
    foot: str


def timeline(stages: Sequence[StageResult]) -> Timeline:
    """The stages of a session as bars on the axes of their attempts; of very many the first and the last."""
    by_attempt: dict[int, list[StageResult]] = {}
    for stage in stages:
        by_attempt.setdefault(stage.attempt, []).append(stage)
    attempts = list(by_attempt)
    if len(attempts) > 2 * _MOST_AXES:
        attempts = attempts[:_MOST_AXES] + attempts[-_MOST_AXES:]
    return Timeline(tuple(_axis(attempt, by_attempt[attempt]) for attempt in attempts), len(by_attempt) - len(attempts))


def _axis(attempt: int, stages: Sequence[StageResult]) -> Axis:
    begin = min(stage.started_s for stage in stages)
    end = max(stage.started_s + stage.elapsed_s for stage in stages)
    more = f", the first {_MOST_BARS} of {len(stages)} stages" if len(stages) > _MOST_BARS else ""
    bars = tuple(_bar(stage, begin) for stage in stages[:_MOST_BARS])
    return Axis(f"attempt {attempt}{more}", max(end - begin, 0.0), bars)


def _bar(stage: StageResult, begin: float) -> Bar:
    spent = (stage.wire_s, stage.chip_s, stage.host_s, stage.waited_s)
    start = stage.started_s - begin
    return Bar(stage.name, outcome_words(stage.outcome), start, stage.elapsed_s, spent, stage.bytes_out, stage.bytes_in)
