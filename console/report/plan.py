"""A board's plan as sections of a report: its stages to scale, where it stopped and whom that made suspect, repairs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from console.bringup.fold import BringupState, StageState, State
from console.bringup.history import Ran
from console.errors import Outcome
from console.report.model import Block, Cell, Column, Drawn, Facts, Paragraph, Point, Points, Section, Span, Table
from console.report.suspects import SHORT, suspect_blocks, suspect_points
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
_MOST_MOMENTS: Final = 3
_FINE: Final = "fine"  # as the marks of an answer about a suspect say it


def plan_sections(state: BringupState, *, short: bool = False) -> tuple[Section, ...]:
    """Everything the plan tells, for a reader who was not there; `short`: of a stop only who was suspected first."""
    lead: tuple[Block, ...] = () if short else (_verdict(state), _facts(state))
    repairs = () if short and not state.repairs else (_repairs(state),)
    return (Section("The plan", (*lead, _stages(state))), *_stopped(state, short), *repairs)


def took_s(state: BringupState) -> float:
    """From the beginning of the plan to the end of its last run."""
    return max((run.t_s + run.elapsed_s for run in state.history.ran), default=0.0)


def first_stop(state: BringupState) -> Ran | None:
    """The first run that did not pass."""
    return next((run for run in state.history.ran if run.outcome is not Outcome.OK), None)


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
    span_s = took_s(state)
    columns = (
        *(Column("stage", "word"), Column("what, and its limits"), Column("state", "word"), Column("time", "number")),
        *(Column(f"when, of {moment(span_s)}", "drawn"), Column("reading")),
    )
    caption = (
        "The stages in the order of the plan, with what the operator took for them; drawn to scale: full where a run "
        "passed, hatched where it did not"
    )
    return Table(caption, columns, tuple(_row(stage, state.history.ran, span_s) for stage in state.stages))


def _row(stage: StageState, ran: Sequence[Ran], span_s: float) -> tuple[Cell, ...]:
    told = stage.off if stage.off.startswith(stage.found) else "; ".join(filter(None, (stage.found, stage.off)))
    took = seconds(stage.elapsed_s) if stage.runs else "-"
    what = f"{stage.work}: {stage.title}" + (f"; {stage.limits}" if stage.limits else "")
    runs = [run for run in ran if run.stage == stage.id]
    when: Cell = _drawn(runs, span_s) if runs else "-"
    return (stage.id, what, _STATES[stage.state], took, when, told or "-")


def _drawn(runs: Sequence[Ran], span_s: float) -> Drawn:
    """All runs of a stage on the plan's line."""
    of = span_s or 1.0
    spans = tuple(Span(run.t_s / of, (run.t_s + run.elapsed_s) / of, run.outcome is Outcome.OK) for run in runs)
    begun = ", ".join(moment(run.t_s) for run in runs[:_MOST_MOMENTS])
    more = ", …" if len(runs) > _MOST_MOMENTS else ""
    return Drawn(f"{count_of(len(runs), 'run')}: {begun}{more}" if len(runs) > 1 else f"at {begun}", spans)


def _stopped(state: BringupState, short: bool) -> Iterator[Section]:
    failed = [run for run in state.history.ran if run.outcome is not Outcome.OK]
    if not failed:
        return
    blocks: list[Block] = []
    for run in failed[:_MOST_STOPS]:
        blocks += _stop(state, run, short)
    if len(failed) > _MOST_STOPS:
        blocks.append(Paragraph(f"{count_of(len(failed) - _MOST_STOPS, 'stop')} more are not told here."))
    yield Section("Where it stopped", tuple(blocks))


def _stop(state: BringupState, run: Ran, short: bool) -> Iterator[Block]:
    what = run.off or run.found or run.outcome.value
    yield Paragraph(f"✗ {run.stage}, {moment(run.t_s + run.elapsed_s)} after the plan began: {what}", "bad")
    stop = next((one for one in state.history.stops if (one.stage, one.turn) == (run.stage, run.turn)), None)
    if stop is None:
        return
    told = (one for one in state.history.told if one.turn == run.turn and one.outcome == _FINE)
    fate = {one.id: "✓ looked at: nothing wrong there" for one in told}
    fate |= {one.key: "✗ found wrong and put right" for one in state.repairs if one.turn == run.turn}
    if short:
        yield Paragraph(f"Suspected first, and what became of it ({count_of(len(stop.suspects), 'suspect')} in all):")
        yield suspect_points(stop, fate, SHORT)
    else:
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
