"""The overview of several captures: one table, and how many passed at once. Counts only: few make no percentage."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from console.bringup.fold import BringupState
from console.errors import Outcome
from console.report.model import Block, Column, Paragraph, Point, Points, Section, Table
from console.report.reading import SessionRecord
from console.text import clean
from console.words import count_of, outcome_words, percent

_COLUMNS: Final = (
    *(Column("no.", "number"), Column("capture"), Column("first attempt", "word"), Column("in the end", "word")),
    *(Column("stopped at", "word"), Column("attempts", "number"), Column("most likely cause, or what it was")),
)


def overview(records: Sequence[SessionRecord], unread: Sequence[tuple[str, str]]) -> list[Section]:
    """The summary table and the first-pass yield."""
    rows = [_row(number, record) for number, record in enumerate(records, 1)]
    rows += [("-", name, "", "✗ not read", "", "", why) for name, why in unread]
    table = Table("Every capture, in the order given", _COLUMNS, tuple(rows))
    return [Section("Summary", (table,)), Section("First pass", tuple(_first_pass(records, len(unread))))]


def _row(number: int, record: SessionRecord) -> tuple[str, ...]:
    snapshot, first, stop = record.snapshot, record.first_outcome, record.stopped_at
    head = (
        str(number),
        record.capture.name,
        "· not judged" if first is None else outcome_words(first),
        outcome_words(snapshot.outcome),
    )
    if snapshot.bringup is not None:
        return (*head, *_of_plan(snapshot.bringup))
    cause = snapshot.causes[0] if snapshot.causes else None
    told = f"{cause.title} ({percent(cause.probability)})" if cause else "-"
    return (*head, clean(stop.name, 20) if stop else "-", str(snapshot.attempt), told)


def _of_plan(plan: BringupState) -> tuple[str, str, str]:
    """Where a board's plan stands still, how many turns it took, and what was put right or is suspected first."""
    left = next((f"{one.title} ({percent(one.probability)})" for one in plan.suspects if not one.cleared), "-")
    mended = "; ".join(done.title for done in plan.repairs)
    return clean(plan.stopped_at, 20) or "-", str(plan.history.turn), mended or left


def _first_pass(records: Sequence[SessionRecord], unread: int) -> list[Block]:
    """Equal files count once; an attempt that the port, the person or a cut file ended says nothing about the board."""
    once = {record.capture.sha256: record for record in records}
    firsts = [record.first_outcome for record in once.values()]
    judged = [first for first in firsts if first is not None]
    passed = judged.count(Outcome.OK)
    words = f"{passed} of {count_of(len(judged), 'session')} passed at the first attempt."
    rest = []
    if len(judged) < len(firsts):
        rest.append(f"{count_of(len(firsts) - len(judged), 'session')} not judged: no attempt told of the board")
    if unread:
        rest.append(f"{count_of(unread, 'file')} not read")
    twice = [names for names in _same(records) if len(names) > 1]
    rest += [f"same content, counted once: {', '.join(names)}" for names in twice]
    rest.append("A capture does not name its board: one board that was recorded twice counts twice.")
    return [Paragraph(words), Points(tuple(map(Point, rest)))]


def _same(records: Sequence[SessionRecord]) -> list[list[str]]:
    counts = Counter(record.capture.sha256 for record in records)
    return [[r.capture.name for r in records if r.capture.sha256 == digest] for digest in counts]
