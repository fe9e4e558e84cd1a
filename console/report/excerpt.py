"""Which rows of the trace a report shows, and how much lies between them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from console.session.exchange import Trace, TraceRow


@dataclass(frozen=True, slots=True)
class Run:
    """Rows that follow each other; `left_out` rows stand between the run before and this one."""

    left_out: int
    rows: tuple[TraceRow, ...]


@dataclass(frozen=True, slots=True)
class Excerpt:
    """Runs of rows of a trace that has `total` of them; `after` rows follow the last run."""

    runs: tuple[Run, ...]
    after: int
    total: int


def excerpt(trace: Trace, wanted: Iterable[range]) -> Excerpt:
    """The rows in `wanted`, which may overlap and reach beyond the trace, each once and in order.

    A single row between two runs is shown: saying that it is left out would take as much room.
    """
    chosen = {row for rows in wanted for row in rows if 0 <= row < len(trace)}
    shown = {-1, len(trace), *chosen}
    chosen |= {row + 1 for row in shown if row + 2 in shown and row + 1 < len(trace)}
    runs: list[list[int]] = []
    for row in sorted(chosen):
        if runs and runs[-1][-1] == row - 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    out, end = [], 0
    for run in runs:
        out.append(Run(run[0] - end, tuple(trace.row(row) for row in run)))
        end = run[-1] + 1
    return Excerpt(tuple(out), len(trace) - end, len(trace))
