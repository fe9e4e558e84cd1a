"""How a task on the chip stands: bar, bytes, rate, what is left; at its end what is proven and what to do next."""

from __future__ import annotations

from typing import Final

from textual.content import Content

from console.errors import Outcome
from console.programming.fold import Programming
from console.screens.advice import here
from console.screens.causes_panel import wrap
from console.screens.chip_task import ChipTask
from console.screens.panel import TextPanel
from console.screens.text import line
from console.snapshot import Snapshot
from console.summary import proof_lines
from console.words import count_of, duration, outcome_words

_FULL, _EMPTY = "█", "░"
_LEAST_BAR: Final = 10


class ProgressPanel(TextPanel):
    """The stage that runs with its bar, or how it ended."""

    TITLE = "progress"
    HELP = (
        "The stage that runs: how far it is, bytes, bytes a second since it began, and the time that is left of it at "
        "that rate. Every block is acknowledged; what was spoiled on the line is repeated and counted. At the end "
        "stands which addresses were read back and were right: only those are proven. After a cut or a stop r goes "
        "on: it reads what is there, and does what is missing."
    )

    def __init__(self, task: ChipTask, id: str) -> None:
        super().__init__(id)
        self.chip_task = task

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """A bar while it runs, a verdict at the end."""
        state, task = snapshot.programming, self.chip_task
        if task.running:
            return _running(snapshot, state, width)
        out = _verdict(snapshot, task, width)
        for text in proof_lines(state):
            out += wrap("  " if text.startswith("  ") else "", text.strip(), width)
        if task.startable:
            out += wrap("next: ", "s starts the program and hears its first words; Esc goes back", width, _NEXT)
        return out


_NEXT: Final = "bold $text-accent"


def _running(snapshot: Snapshot, state: Programming | None, width: int) -> list[Content]:
    stage = snapshot.running_stage
    if stage is None:
        return [line(("… waiting for your answer", _NEXT))]
    if state is None or not state.total or state.stage != stage:
        return [line((f"… {stage} runs", _NEXT))]
    percent = 100 * state.done // state.total
    bar = max(_LEAST_BAR, width - 2)
    filled = bar * state.done // state.total
    words = f"{state.done} of {count_of(state.total, 'byte')}"
    if state.done:
        words += f", {state.rate:.0f} bytes/s"
    if state.eta_s and state.done < state.total:
        words += f", {duration(state.eta_s)} left of this stage"
    out = [
        line((f"… {stage}", _NEXT), f"  {percent} %  {words}"),
        line((_FULL * filled, "$text-success"), (_EMPTY * (bar - filled), "$secondary")),
    ]
    if state.repeated:
        out.append(line((f"! repeated so far: {state.repeated}", "$text-warning")))
    if state.expected_s:
        out.append(line((f"the whole was expected to take at most {duration(state.expected_s)}", "$secondary")))
    return out


def _verdict(snapshot: Snapshot, task: ChipTask, width: int) -> list[Content]:
    """The outcome, and why and what next where it is not good."""
    trouble, problem = task.trouble, snapshot.problem
    outcome = trouble.outcome if trouble is not None else snapshot.outcome
    style = {Outcome.OK: "bold $text-success", Outcome.STOPPED: "bold $text-warning"}.get(
        outcome or Outcome.INTERNAL, "bold $text-error"
    )
    out = wrap("", f"{outcome_words(outcome)}: {task.name}", width, style)
    if trouble is not None:
        out += wrap("", f"{trouble.message}", width)
        out += wrap("where: ", trouble.where, width) if trouble.where else []
        out += wrap("note: ", here(trouble.note), width) if trouble.note else []
        out += wrap("▲ caution: ", trouble.caution, width, "$text-warning") if trouble.caution else []
        out += wrap("next: ", here(trouble.help), width, _NEXT)
    elif problem is not None:
        out += wrap("", problem.message, width)
        out += wrap("next: ", here(problem.help), width, _NEXT)
    return out
