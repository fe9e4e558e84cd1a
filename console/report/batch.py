"""The overview of several captures: a row each, how many boards passed at once, what stopped them, what it was."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Final

from console.errors import Outcome
from console.report.model import Block, Cell, Column, Drawn, Paragraph, Point, Points, Section, Span, Table
from console.report.plan import first_stop, took_s
from console.report.reading import SessionRecord
from console.session.stage import VERDICTS, ends
from console.shares import Bar, interval, pareto, share_words, wilson
from console.snapshot import Attempt
from console.text import clean
from console.words import count_of, duration, outcome_words, percent

_COLUMNS: Final = (
    *(Column("no.", "number"), Column("board"), Column("serial", "word"), Column("result", "word")),
    *(Column("what stopped it first"), Column("what it was, or ? is suspected"), Column("time", "number")),
    Column("capture"),
)
_UNSOLVED: Final = "not found yet"
_BAD: Final = VERDICTS - {Outcome.OK}
_NOT_JUDGED: Final = "■ not judged"


def overview(records: Sequence[SessionRecord], unread: Sequence[tuple[str, str]]) -> list[Section]:
    """The summary table, the yield, and the two Pareto tables where any board was stopped."""
    rows = [_row(number, record) for number, record in enumerate(records, 1)]
    rows += [("-", "-", "-", "✗ not read", why, "", "", name) for name, why in unread]
    table = Table("Every capture, in the order given", _COLUMNS, tuple(rows))
    boards = _boards(records)
    out = [Section("Summary", (table,)), Section("First pass", tuple(_yield(boards, records, len(unread))))]
    stopped = [board for board in boards if any(_stop(record) for record in board)]
    if stopped:
        where = pareto(next(filter(None, map(_stop, board)))[0] for board in stopped)
        what = pareto(next(filter(None, map(fixed, reversed(board))), _UNSOLVED) for board in stopped)
        note = Paragraph(
            "Each board that was stopped counts once. Where the intervals overlap, the order is no evidence yet."
        )
        head, of = f"{count_of(len(stopped), 'board')} stopped", len(boards)
        tables = (
            _pareto(f"Where: {head}, of {of}; by the stage that first did not pass", "stage", where),
            _pareto("What it was: by what was put right, or what the evidence after it names", "what", what),
        )
        out.append(Section("What stopped the boards, most frequent first", (note, *tables)))
    return out


def fixed(record: SessionRecord) -> str:
    """What was put right, or what it was by the evidence of a board that answers after it did not; "" if neither."""
    snapshot, plan = record.snapshot, record.snapshot.bringup
    if plan is not None and plan.repairs:
        return "; ".join(dict.fromkeys(done.title for done in plan.repairs))
    failed, over = False, dict(ends(snapshot.stages))
    for one in (*snapshot.earlier, Attempt(snapshot.attempt, snapshot.observations, snapshot.causes)):
        if failed and over.get(one.n) is Outcome.OK and one.causes:
            return one.causes[0].title
        failed = failed or over.get(one.n) in _BAD
    return ""


def name_of(record: SessionRecord) -> str:
    """The board as its plan names it, as ``Tern, revision B, 22``; the capture's name where there is no plan."""
    plan = record.snapshot.bringup
    if plan is None:
        return record.capture.name
    return ", ".join(filter(None, (plan.board, f"revision {plan.revision}" if plan.revision else "", plan.serial)))


def _row(number: int, record: SessionRecord) -> tuple[Cell, ...]:
    plan, stop = record.snapshot.bringup, _stop(record)
    board, serial = ("-", "-") if plan is None else (f"{plan.board} {plan.revision}".strip(), plan.serial or "-")
    took = record.elapsed_s if plan is None else took_s(plan)
    return (
        *(str(number), board, serial, _result(record)),
        *("-" if stop is None else clean(f"{stop[0]}: {stop[1]}", 200), fixed(record) or _suspected(record)),
        *(duration(took), _capture(record)),
    )


def _capture(record: SessionRecord) -> str:
    """The capture, marked where no real board was at the port."""
    return record.capture.name + (" ~" if record.snapshot.simulated else "")


def _result(record: SessionRecord) -> str:
    outcome, plan = record.snapshot.outcome, record.snapshot.bringup
    tries = record.snapshot.attempt if plan is None else plan.history.turn
    if record.first_outcome is None:
        return _NOT_JUDGED if outcome is not Outcome.OK else outcome_words(outcome)
    if outcome is not Outcome.OK:
        return outcome_words(outcome)
    return "✓ passed at once" if record.first_outcome is Outcome.OK else f"✓ passed, try {tries}"


def _suspected(record: SessionRecord) -> str:
    """Whom to look at first, where nothing is known to have helped."""
    plan, causes = record.snapshot.bringup, record.snapshot.causes
    left = None if plan is None else next((one for one in plan.suspects if not one.cleared), None)
    first = left or (causes[0] if causes and record.snapshot.outcome is not Outcome.OK else None)
    return f"? {first.title} ({percent(first.probability)})" if first else "-"


def _stop(record: SessionRecord) -> tuple[str, str] | None:
    """The stage that first did not pass and says something about the board, and what was wrong there."""
    plan = record.snapshot.bringup
    if plan is not None:
        run = first_stop(plan)
        judged = run is not None and run.outcome in VERDICTS
        off = "" if run is None else run.off.partition(";")[0] or run.found or run.outcome.value
        return (clean(run.stage, 40), off) if run and judged else None
    stage = next((one for one in record.snapshot.stages if one.outcome in _BAD), None)
    return None if stage is None else (clean(stage.name, 40), outcome_words(stage.outcome)[2:])


def _boards(records: Sequence[SessionRecord]) -> list[list[SessionRecord]]:
    """The judged sessions of each board, the earliest first: told apart by the serial number of their plan, else each
    capture is a board of its own; equal files count once."""
    once = {record.capture.sha256: record for record in reversed(records)}
    boards: dict[tuple[str, ...], list[SessionRecord]] = {}
    for record in sorted(once.values(), key=lambda one: one.started_ns or 0):
        plan = record.snapshot.bringup
        named = plan is not None and plan.serial
        key = (plan.board, plan.revision, plan.serial) if plan and named else (record.capture.sha256,)
        if record.first_outcome is not None:
            boards.setdefault(key, []).append(record)
    return list(boards.values())


def _yield(boards: Sequence[Sequence[SessionRecord]], records: Sequence[SessionRecord], unread: int) -> list[Block]:
    passed = wilson(sum(board[0].first_outcome is Outcome.OK for board in boards), len(boards))
    ended = wilson(sum(board[-1].snapshot.outcome is Outcome.OK for board in boards), len(boards))
    words = f"First pass: {share_words(passed)} went from the first stage to the last without a stop."
    rest = [f"in the end: {share_words(ended)}", "intervals of shares: Wilson (NIST/SEMATECH e-Handbook s.7.2.4.1)"]
    left = sum(record.first_outcome is None for record in records)
    if left:
        rest.append(f"{count_of(left, 'capture')} not judged: no attempt told of the board")
    if unread:
        rest.append(f"{count_of(unread, 'file')} not read")
    rest += [f"same content, counted once: {', '.join(names)}" for names in _same(records)]
    if any(record.snapshot.simulated for record in records):
        rest.append("~ in the table: a simulated board; it is counted here as if it were a real one")
    rest.append(
        "Boards are told apart by the serial number of their plan; a capture without one counts as a board of its own."
    )
    return [Paragraph(words), Points(tuple(map(Point, rest)))]


def _same(records: Sequence[SessionRecord]) -> list[list[str]]:
    counts = Counter(record.capture.sha256 for record in records)
    return [
        [one.capture.name for one in records if one.capture.sha256 == digest]
        for digest, count in counts.items()
        if count > 1
    ]


def _pareto(caption: str, name: str, bars: Sequence[Bar]) -> Table:
    columns = (
        *(Column(name), Column("boards", "number"), Column("with all above", "number")),
        Column("share, with its interval", "drawn"),
    )
    rows = tuple(
        (
            bar.name,
            f"{bar.rate.hits} of {bar.rate.of}",
            f"{bar.running * 100:.0f} %",
            Drawn(interval(bar.rate), (Span(0.0, bar.rate.share),), (bar.rate.low, bar.rate.high)),
        )
        for bar in bars
    )
    return Table(caption, columns, rows)
