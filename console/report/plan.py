"""A board's plan as sections of a report: its stages, where it stopped and whom that made suspect, the repairs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from console.bringup.fold import BringupState, StageState, State
from console.bringup.history import Ran
from console.errors import Outcome
from console.report.model import Block, Column, Facts, Paragraph, Point, Points, Section, Table
from console.report.suspects import suspect_blocks
from console.words import count_of, duration, moment, seconds

_STATES: Final = {
    State.WAITING: "· not begun",
    State.RUNNING: "… cut off",
    State.PASSED: "✓ passed",
    State.FAILED: "✗ failed",
    State.LEFT: "■ left",
    State.AGAIN: "↻ to be repeated",
    State.TRUSTED: "- taken as passed",
    State.SKIPPED: "- left out",
}
_MOST_STOPS: Final = 20
_FINE: Final = "fine"  # as the marks of an answer about a suspect say it


def plan_sections(state: BringupState) -> tuple[Section, ...]:
    """Everything the plan tells, for a reader who was not there."""
    return (Section("The plan", (_verdict(state), _facts(state), _stages(state))), *_stopped(state), _repairs(state))


def _verdict(state: BringupState) -> Paragraph:
    passed = f"{state.passed} of {count_of(len(state.stages), 'stage')} passed"
    if state.outcome is Outcome.OK:
        return Paragraph(f"✓ The plan came to its end: {passed}.", "good")
    at = f" at {state.stopped_at}" if state.stopped_at else ""
    return Paragraph(f"✗ The plan did not come to its end{at}: {passed}.", "bad")


def _facts(state: BringupState) -> Facts:
    rows = [("board", f"{state.board}, revision {state.revision}")]
    rows += [("number", state.serial)] if state.serial else []
    rows.append(("board file", state.file))
    rows += [("its digest", state.digest)] if state.digest else []
    return Facts(tuple(rows))


def _stages(state: BringupState) -> Table:
    columns = (
        *(Column("stage", "word"), Column("what"), Column("state", "word"), Column("runs", "number")),
        *(Column("time", "number"), Column("limits"), Column("reading")),
    )
    caption = "The stages in the order of the plan; the time is that of all runs, with what the operator took for it"
    return Table(caption, columns, tuple(map(_row, state.stages)))


def _row(stage: StageState) -> tuple[str, ...]:
    told = stage.off if stage.off.startswith(stage.found) else "; ".join(filter(None, (stage.found, stage.off)))
    took = seconds(stage.elapsed_s) if stage.runs else "-"
    state = _STATES[stage.state]
    return (stage.id, f"{stage.work}: {stage.title}", state, str(stage.runs), took, stage.limits or "-", told or "-")


def _stopped(state: BringupState) -> Iterator[Section]:
    failed = [run for run in state.history.ran if run.outcome is not Outcome.OK]
    if not failed:
        return
    blocks: list[Block] = []
    for run in failed[:_MOST_STOPS]:
        blocks += _stop(state, run)
    if len(failed) > _MOST_STOPS:
        blocks.append(Paragraph(f"{count_of(len(failed) - _MOST_STOPS, 'stop')} more are not told here."))
    yield Section("Where it stopped", tuple(blocks))


def _stop(state: BringupState, run: Ran) -> Iterator[Block]:
    what = run.off or run.found or run.outcome.value
    yield Paragraph(f"✗ {run.stage}, {moment(run.t_s + run.elapsed_s)} after the plan began: {what}", "bad")
    stop = next((one for one in state.history.stops if (one.stage, one.turn) == (run.stage, run.turn)), None)
    if stop is None:
        return
    told = (one for one in state.history.told if one.turn == run.turn and one.outcome == _FINE)
    fate = {one.id: "✓ looked at: nothing wrong there" for one in told}
    fate |= {one.key: "✗ found wrong and put right" for one in state.repairs if one.turn == run.turn}
    yield Paragraph("Suspects, in the order in which to look:")
    yield from suspect_blocks(stop, fate)


def _repairs(state: BringupState) -> Section:
    if not state.repairs:
        return Section("What was put right", (Paragraph("Nothing was put right during this plan."),))
    points = []
    for done in state.repairs:
        where = ", ".join(filter(None, (f"part {done.part}" if done.part else "", *done.pins)))
        after = f"after {done.stage} had failed" if done.stage else "seen while looking"
        stage = state.stage(done.stage)
        passed = "the stage passed after it" if stage is not None and stage.state is State.PASSED else ""
        points.append(Point(done.title, duration(done.t_s), tuple(filter(None, (where, after, passed)))))
    return Section("What was put right", (Points(tuple(points), ordered=True),))
