"""A board's plan in the report: stages, stops with their suspects, repairs; and nothing of it becomes markup."""

from __future__ import annotations

from dataclasses import replace
from itertools import count

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from console.events import Event, Mark, MarkKind
from console.report.compose import batch_report, session_report
from console.report.html import page
from console.report.model import Drawn, Paragraph, Points, Report, Table
from console.report.text import WIDTH, lines
from tests.console.bringup.staged_board import Story, bring_up
from tests.console.report.made import HOSTILE, mark, parsed, record, unsafe
from tests.console.report.test_compose import section, table, texts
from tests.console.report.test_html import ALLOWED


@pytest.fixture(scope="module")
def mended() -> Story:
    return bring_up("open-pin:pin=U6.2")


def report_of(events: list[Event]) -> Report:
    return session_report(record(events))


def test_a_board_mended_on_its_way_is_told_from_plan_to_repair(mended: Story) -> None:
    report = report_of(mended.events)
    verdict = report.lead[0]
    assert isinstance(verdict, Paragraph)
    assert verdict.text.startswith("✓ Tern, revision B, number 7: every stage of the plan passed.")
    assert verdict.text.endswith("U6.2: open joint.")
    titles = [one.title for one in report.parts[0].sections]
    assert titles[:4] == ["The plan", "Where it stopped", "What was put right", "What happened"]
    rows = {row[0]: row for row in table(section(report, "The plan")).rows}
    assert list(rows) == [stage.id for stage in mended.state.stages]
    assert rows["rail-3v3"][2] == "✓ passed"
    assert (rows["rail-3v3"][1], rows["rail-3v3"][5]) == ("measure: 3.3 V supply; 3.135 to 3.465 V", "3.3 V")
    assert (rows["memory"][1], rows["memory"][5]) == ("query: flash memory; id 5A 31 14", "id 5A 31 14")


def test_a_stop_lists_its_suspects_with_reasons_cautions_and_what_came_of_them(mended: Story) -> None:
    found = section(report_of(mended.events), "Where it stopped")
    told = texts(found)
    suspects = mended.state.history.stops[0].suspects
    titles = [point.text for block in found.blocks if isinstance(block, Points) for point in block.items]
    assert titles[:10] == [one.title for one in suspects[:10]]
    for words in ("✗ memory, ", "id FF FF FF, not 5A 31 14", suspects[0].why[0], f"look: {suspects[0].look}",
                  "✓ looked at: nothing wrong there", "1. U4, about ", "none of the known: "):  # fmt: skip
        assert words in told, words
    assert any(block.tone == "caution" for block in found.blocks if isinstance(block, Paragraph))
    repairs = texts(section(report_of(mended.events), "What was put right"))
    assert "U6.2: open joint\npart U6, U6.2\nafter memory had failed\nthe stage passed after it" in repairs


def test_a_plan_cut_off_in_the_middle_says_so(mended: Story) -> None:
    stop = next(
        n for n, one in enumerate(mended.events) if isinstance(one, Mark) and one.fields.get("step") == "suspect"
    )
    report = report_of(mended.events[: stop + 1])
    verdict = report.lead[0]
    assert isinstance(verdict, Paragraph)
    assert verdict.tone == "bad"
    assert "the record ends in the middle of the plan, at memory" in verdict.text
    assert f"To look at first: {mended.state.history.stops[0].suspects[0].title}" in verdict.text
    assert "did not come to its end at memory" in texts(section(report, "The plan"))
    assert "Nothing was put right" in texts(section(report, "What was put right"))


def test_a_good_board_stopped_nowhere() -> None:
    titles = [one.title for one in report_of(bring_up().events).parts[0].sections]
    assert "Where it stopped" not in titles


def test_the_stages_are_drawn_to_scale(mended: Story) -> None:
    rows = {row[0]: row for row in table(section(report_of(mended.events), "The plan")).rows}
    marks = [
        one for one in mended.events if isinstance(one, Mark) and one.fields.get("step") in ("plan", "begin", "end")
    ]
    begun_ns, ended_ns = marks[0].t_ns, max(one.t_ns for one in marks)
    expected = [
        (one.t_ns - begun_ns, next(end for end in marks[at:] if end.fields["step"] == "end"))
        for at, one in enumerate(marks)
        if one.fields.get("step") == "begin" and one.fields.get("stage") == "memory"
    ]
    drawn = rows["memory"][4]
    assert isinstance(drawn, Drawn)
    assert [span.good for span in drawn.spans] == [False, True]  # it failed, was mended, passed
    for span, (t_ns, end) in zip(drawn.spans, expected, strict=True):
        assert span.begin == pytest.approx(t_ns / (ended_ns - begun_ns), abs=1e-5)
        assert span.end == pytest.approx((end.t_ns - begun_ns) / (ended_ns - begun_ns), abs=1e-5)
    assert drawn.words.startswith("2 runs: ")


def test_a_batch_tells_each_board_by_its_plan(mended: Story) -> None:
    captures = [record(mended.events, "a", "1"), record(bring_up(serial="8").events, "b", "2")]
    report = batch_report(captures)
    rows = table(section(report, "Summary")).rows
    assert [(*row[:6], row[7]) for row in rows] == [
        ("1", "Tern B", "7", "✓ passed, try 2", "memory: id FF FF FF, not 5A 31 14", "U6.2: open joint", "a"),
        ("2", "Tern B", "8", "✓ passed at once", "-", "-", "b"),
    ]
    assert "First pass: 1 of 2 " in texts(section(report, "First pass"))
    assert [part.title for part in report.parts] == ["The batch", "1. Tern, revision B, 7", "2. Tern, revision B, 8"]
    titles = [one.title for one in report.parts[1].sections]
    assert titles == ["Result", "The plan", "Where it stopped", "What was put right", "Record and settings"]
    stages = table(section(report, "The plan", 1)).rows
    assert [row[0] for row in stages] == [stage.id for stage in mended.state.stages]
    told = texts(section(report, "Where it stopped", 1))
    assert "U6.2: open joint\n✗ found wrong and put right" in told
    assert mended.state.history.stops[0].suspects[0].title in told
    assert [one.title for one in report.parts[2].sections] == ["Result", "The plan", "Record and settings"]
    what = section(report, "What stopped the boards, most frequent first").blocks[-1]
    assert isinstance(what, Table)
    assert what.rows[0][:2] == ("U6.2: open joint", "1 of 1")


def test_a_board_of_two_captures_is_one_board(mended: Story) -> None:
    again = bring_up(serial="7").events
    later = [replace(one, t_ns=one.t_ns + 10**12) for one in again]
    report = batch_report([record(later, "b", "2"), record(mended.events, "a", "1")])
    told = texts(section(report, "First pass"))
    assert "First pass: 0 of 1 " in told  # it was stopped in the earlier capture, whatever the order of the files
    assert "in the end: 1 of 1 " in told


def hostile_plan(word: str) -> list[Event]:
    """A plan of a foreign capture: `word` wherever a mark has words."""
    clock = count()

    def step(step: str, **fields: str | float | bool) -> Event:
        return mark(next(clock) / 10, MarkKind.BRINGUP, step=step, **fields)

    return [
        step("plan", board=word, revision=word, file=word, digest=word, serial=word),
        step("stage", stage="s", work=word, title=word, look=word, limits=word),
        step("begin", stage="s", title=word),
        step("end", stage="s", outcome="mismatch", found=word, off=word, seen=word),
        step("suspects", stage="s", other=0.1, notes=word),
        step("suspect", key="k", part=word, title=word, probability=0.5, minutes=1, why=word, look=word, caution=word,
             pins=word),
        step("ask", id="k", title=word, why=word, caution=word, answers=word),
        step("answer", id="k", reply="found", outcome=word, text=word, unit=word),
        step("repair", key="k", title=word, parts=word),
        step("done", outcome=word),
    ]  # fmt: skip


@settings(max_examples=8)  # html5lib takes a tenth of a second for a page
@given(st.one_of(st.sampled_from(HOSTILE), st.text(max_size=60)))
@example(" ".join(HOSTILE))
def test_nothing_in_a_plan_becomes_markup(word: str) -> None:
    events = hostile_plan(word)
    for report in (report_of(events), batch_report([record(events)])):
        text = page(report)
        assert not unsafe(text)
        tree = parsed(text)
        assert {one.tag for one in tree.iter() if isinstance(one.tag, str)} <= ALLOWED
        assert not [key for one in tree.iter() for key in one.attrib if key.startswith("on") or key == "style"]
        plain = "\n".join(lines(report))
        assert not unsafe(plain)
        assert max(map(len, plain.splitlines())) <= WIDTH
