"""What a report says: verdict, sections in order, the batch's counts, suspects, and what it does not know."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.errors import Outcome
from console.events import Event, MarkKind
from console.report.compose import batch_report, session_report
from console.report.model import Drawn, Facts, Paragraph, Points, Report, Section, Span, Table, Timeline
from console.report.reading import SessionRecord
from tests.console.report.made import SHA, attempt, check, mark, record

STAGE = (MarkKind.STAGE_BEGIN, MarkKind.STAGE_END)


def section(report: Report, title: str, part: int = 0) -> Section:
    """The section with this heading."""
    return next(one for one in report.parts[part].sections if one.title == title)


def table(found: Section) -> Table:
    """The section's only table."""
    (one,) = (block for block in found.blocks if isinstance(block, Table))
    return one


def texts(found: Section) -> str:
    """Paragraphs and points of a section as one text."""
    out = [block.text for block in found.blocks if isinstance(block, Paragraph)]
    for block in found.blocks:
        if isinstance(block, Points):
            out += [one for point in block.items for one in (point.text, *point.more)]
    return "\n".join(out)


def answered(events: list[Event], name: str, digest: str) -> SessionRecord:
    """A session whose last attempt identified its board."""
    found = record(events, name, digest)
    return replace(found, snapshot=replace(found.snapshot, outcome=Outcome.OK))


def test_a_failed_session_says_why_what_and_what_next() -> None:
    report = session_report(record(attempt(0, 1)))
    verdict = report.lead[0]
    assert isinstance(verdict, Paragraph)
    assert verdict.tone == "bad"
    assert verdict.text.startswith("✗ no answer: stage sync: nothing came. Most likely: TX and RX are not crossed (")
    titles = [one.title for one in report.parts[0].sections]
    assert titles == [
        "What happened",
        "Where the time went",
        "Wires",
        "What the last attempt showed",
        "Likely causes",
        "Next check",
        "From the trace",
        "Record and settings",
        "How far this goes",
    ]
    (facts,) = (block for block in section(report, "Record and settings").blocks if isinstance(block, Facts))
    assert ("SHA-256", SHA) in facts.rows


def test_readings_and_contradictions_are_told() -> None:
    # a chip without its supply cannot hold its TX near the rail: common practice, no source
    clash = [check(1, "K08", "out-of-range", value=0.4, unit="V"), check(2, "K09", "near-rail")]
    report = session_report(record([*attempt(0, 1), *clash]))
    rows = table(section(report, "Readings")).rows
    assert [(row[1], *row[3:]) for row in rows] == [
        ("K08", "0.4 V", "out-of-range", "stands"),
        ("K09", "-", "near-rail", "stands"),
    ]
    assert "supply at the chip" in texts(section(report, "Contradictions"))
    alone = session_report(record([*attempt(0, 1), clash[0]]))
    assert "Contradictions" not in [one.title for one in alone.parts[0].sections]


def test_the_batch_counts_boards_with_the_interval_of_so_few() -> None:
    good, bad = answered(attempt(0, 1, "ok"), "a", "1"), answered([*attempt(0, 1), *attempt(1, 2, "ok")], "b", "2")
    twice, lost = answered(attempt(0, 1, "ok"), "c", "1"), record(attempt(0, 1, "port"), "d", "3")
    report = batch_report([good, bad, twice, lost], [("e", "no capture")])
    rows = table(section(report, "Summary")).rows
    assert [row[-1] for row in rows] == ["a", "b", "c", "d", "e"]
    results = ["✓ passed at once", "✓ passed, try 2", "✓ passed at once", "■ not judged", "✗ not read"]
    assert [row[3] for row in rows] == results
    assert [row[4] for row in rows] == ["-", "sync: no answer", "-", "-", "no capture"]
    assert [row[6] for row in rows] == ["0.5 s", "1.5 s", "0.5 s", "0.5 s", ""]
    told = texts(section(report, "First pass"))
    # a and b; c is a again, d tells nothing; interval of 1 of 2: statsmodels 0.15.0 proportion_confint, wilson
    assert "First pass: 1 of 2 (95 % interval 9 to 91 %)" in told
    assert "1 capture not judged" in told
    assert "1 file not read" in told
    assert "same content, counted once: a, c" in told
    assert [part.title for part in report.parts] == ["The batch", "1. a", "2. b", "3. c", "4. d"]


def test_a_batch_in_which_nothing_stopped_has_no_pareto() -> None:
    report = batch_report([answered(attempt(0, 1, "ok"), "a", "1")])
    assert [one.title for one in report.parts[0].sections] == ["Summary", "First pass", "How far this goes"]


def test_the_pareto_counts_each_stopped_board_once() -> None:
    events = {name: [*attempt(0, 1), *attempt(1, 2)] for name in "abc"}
    captures = [record(found, name, name) for name, found in events.items()]
    captures.append(answered(attempt(0, 1, "ok"), "d", "d"))
    found = section(batch_report(captures), "What stopped the boards, most frequent first")
    where, what = (block for block in found.blocks if isinstance(block, Table))
    assert "3 boards stopped, of 4" in where.caption
    (row,) = where.rows
    # 3 of 3: statsmodels 0.15.0 proportion_confint(3, 3, method="wilson") gives 0.4385 to 1
    assert row == ("sync", "3 of 3", "100 %", Drawn("95 % interval 44 to 100 %", (Span(0, 1),), row[3].between))
    assert row[3].between == pytest.approx((0.4385, 1.0), abs=5e-5)
    assert [row[:2] for row in what.rows] == [("not found yet", "3 of 3")]


def test_an_empty_capture_makes_a_report_too() -> None:
    report = session_report(record([]))
    assert "only bytes and line events" in texts(section(report, "What happened"))
    assert "From the trace" not in [one.title for one in report.parts[0].sections]


def test_of_very_many_attempts_and_stages_the_page_draws_some_and_says_so() -> None:
    many = [one for n in range(100) for one in attempt(n, n + 1)]
    stages = [mark(n, kind, name="x", outcome="ok") for n in range(60) for kind in STAGE]
    drawn = section(session_report(record([*many, mark(100, MarkKind.ATTEMPT), *stages])), "Where the time went")
    assert "77 attempts in the middle of the session are not drawn" in texts(drawn)
    (timeline,) = (block for block in drawn.blocks if isinstance(block, Timeline))
    assert [axis.title for axis in timeline.axes[11:13]] == ["attempt 12", "attempt 90"]
    assert timeline.axes[-1].title == "attempt 101, the first 40 of 60 stages"
    assert len(timeline.axes[-1].bars) == 40


def test_what_a_port_cannot_tell_is_said() -> None:
    said = "could not report framing or parity errors"
    settings = mark(0, MarkKind.SETTINGS, port="p", baud=9600, frame="8N1", line_errors="not available")
    assert said in texts(section(session_report(record([settings, *attempt(0, 1)])), "How far this goes"))
    assert said not in texts(section(session_report(record(attempt(0, 1))), "How far this goes"))
