"""What is said of a source once it is closed: what the chip holds, how to go on, and what the notebook keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from console.screens.job_screen import RESUME
from console.screens.source import LiveSource
from console.summary import proof_lines

if TYPE_CHECKING:
    from console.screens.navigation import Source


def closing_words(source: Source) -> list[str]:
    """For the terminal after the screens have gone; of a task or a plan the same as the command's own report."""
    report, kept = _report(source), [] if source.kept is None else source.kept.lines()
    return [*report, "", *kept] if report and kept else report + kept


def short_words(source: Source) -> list[str]:
    """For a note on the list of ports."""
    task = source.task if isinstance(source, LiveSource) else None
    proof = [] if task is None else proof_lines(source.bridge.fold.snapshot().programming)
    return [*proof, *([] if source.kept is None else source.kept.lines())]


def _report(source: Source) -> list[str]:
    snapshot = source.bridge.fold.snapshot()
    if isinstance(source, LiveSource) and (task := source.task) is not None:
        from console.commands.on_chip import report_lines

        trouble = task.trouble
        out = report_lines(snapshot, told=trouble is not None) + ([] if trouble is None else trouble.lines())
        cut = snapshot.programming is not None and snapshot.programming.planned and not snapshot.programming.complete
        return [*out, f"  on the screens: p, {task.name}, and the tick \u201c{RESUME[1]}\u201d"] if cut else out
    if snapshot.bringup is not None:
        from console.bringup.words import report_lines as plan_lines

        state = snapshot.programming
        left = [] if state is None or state.complete else proof_lines(state)
        return ["", *plan_lines(snapshot.bringup), *left]
    return []
