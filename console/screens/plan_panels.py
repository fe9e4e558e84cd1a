"""The three panels of a bring-up: the plan with its stages, the step that is asked for, and the suspects."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from textual.content import Content

from console.boards.drawing import draw_net, draw_pin
from console.boards.netlist import Netlist
from console.boards.stagerun import RAILS
from console.bringup.fold import BringupState, StageState, State, SuspectState
from console.causes.rank import NextCheck
from console.errors import Outcome
from console.screens.advice import here
from console.screens.causes_panel import cause_lines, wrap
from console.screens.panel import TextPanel
from console.screens.text import fit, line
from console.snapshot import Snapshot
from console.words import count_of, percent

_SIGNS: Final = {
    State.WAITING: ("·", "$secondary"),
    State.RUNNING: ("▶", "$text-accent"),
    State.PASSED: ("✓", "$text-success"),
    State.FAILED: ("✗", "$text-error"),
    State.LEFT: ("◁", "$text-warning"),
    State.AGAIN: ("↻", "$text-warning"),
    State.TRUSTED: ("-", "$secondary"),
}
_STATE_WIDTH: Final = 7
_FEW: Final = 3


class PlanPanel(TextPanel):
    """The stages in order: sign, name, state in words, what was found."""

    TITLE = "plan"
    HELP = (
        "The stages of the plan in their order. ✓ passed, ✗ failed, ▶ runs now, · waits, ◁ was left, ↻ counts again "
        "because what it uses was worked on, - is taken as passed. Behind it stands what was found, and how far it is "
        "out of its limits. Arrows and Page keys scroll."
    )

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """One line per stage; the one that matters now is brought into view."""
        state = snapshot.bringup
        if state is None:
            return [line(("the plan has not begun", "$secondary"))]
        self.border_title = f"plan: {state.passed_words}"
        name_width = max((len(stage.id) for stage in state.stages), default=4)
        out = [_stage_line(stage, name_width, width) for stage in state.stages]
        now = state.current or state.stopped_at
        at = next((n for n, stage in enumerate(state.stages) if stage.id == now), None)
        if at is not None and not self.has_focus:
            self.scroll_to(y=max(0, at - height // 2), animate=False)
        return out


def _stage_line(stage: StageState, name_width: int, width: int) -> Content:
    sign, style = _SIGNS[stage.state]
    told = stage.off or stage.found or stage.title
    head = f"{stage.id:<{name_width}} {stage.state.value:<{_STATE_WIDTH}} "
    bold = "bold" if stage.state in (State.RUNNING, State.FAILED) else ""
    plain = "$secondary" if stage.state is State.WAITING else bold
    return line((f"{sign} ", style), (head, plain), (fit(told, width - len(head) - 2).rstrip(), plain))


class StepPanel(TextPanel):
    """What is to be done now, with its caution, and how to say what it showed."""

    TITLE = "now"
    HELP = (
        "The step that the plan waits for. The caution belongs to it and comes first. Do it, then press Enter and say "
        "what it showed: a value as the meter shows it (3.29, 3290 mV, open), or one of the answers. k leaves the step "
        "out, u takes the latest answer back, m writes a note, x stops."
    )

    def __init__(self, id: str, asked: Callable[[], NextCheck | None], *, plays: bool = False) -> None:
        """`plays`: Enter has the simulated bench's hands do the step."""
        super().__init__(id)
        self._asked = asked
        self._plays = plays

    def asked_anew(self) -> None:
        """Another question, which is no part of the picture: paint even if the picture is the same."""
        self._painted = ()

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """The question, or what runs, or how it ended."""
        state, check = snapshot.bringup, self._asked()
        if check is not None:
            return _question(check, width, self._plays)
        if state is None:
            return [line(("nothing is asked yet", "$secondary"))]
        if state.outcome is not None:
            return _end(state, snapshot, width)
        stage = state.stage(state.current)
        out = [] if stage is None else wrap("▶ ", f"{stage.id}: {stage.title}", width, "bold $text-accent")
        run = snapshot.programming
        if run is not None and run.total and run.done < run.total:
            share = run.done / run.total
            bar = "█" * round(20 * share) + "░" * (20 - round(20 * share))
            out.append(line((f"{bar} {run.stage} {run.done} of {count_of(run.total, 'byte')}", "")))
        return out or [line(("one moment", "$secondary"))]


def _question(check: NextCheck, width: int, plays: bool) -> list[Content]:
    out = wrap("▲ caution: ", check.caution, width, "bold $text-warning") if check.caution else []
    out += wrap("do: ", f"{check.title} (about {max(1, round(check.minutes))} min)", width, "bold $text-accent")
    out += wrap("    ", check.why, width, "$secondary") if check.why else []
    if plays:
        return [*out, *wrap("  ", "Enter: the simulated bench's hands do it and say what it showed", width)]
    if check.change:
        return [*out, *wrap("  ", "then press Enter: it is done", width)]
    if check.scale is not None:
        out += wrap("  ", f"then press Enter and type the value in {check.scale.unit}", width)
    else:
        out += wrap("  ", "then press Enter and say what it showed", width)
    return out + [one for answer, means in check.answers for one in wrap("  · ", f"{answer}: {means}", width)]


def _end(state: BringupState, snapshot: Snapshot, width: int) -> list[Content]:
    if state.outcome is Outcome.OK:
        out = [line((f"✓ {state.end_words}", "bold $text-success"))]
    else:
        word = "was left" if state.outcome is Outcome.STOPPED else "stopped"
        words = f"the plan {word}" + (f" at {state.stopped_at}" if state.stopped_at else "")
        out = [line((f"✗ {words}", "bold $text-error"))]
        if snapshot.problem is not None:
            out += wrap("  ", snapshot.problem.message, width)
            out += wrap("next: ", here(snapshot.problem.help), width, "bold")
    for done in state.repairs:
        out += wrap("· put right: ", f"{done.title} ({done.stage or 'seen while looking'})", width)
    return out


class SuspectsPanel(TextPanel):
    """Whom to look at after a failure, why, and the net of the one that is chosen, drawn."""

    TITLE = "suspects"
    HELP = (
        "Whom to look at after the plan stopped, in the order that pays most for its minutes. The number says how "
        "probable it is; it comes from reasoned weights. 'because' says which stages speak for and against it. Under "
        "it stand its pins, what lies beside them, and their net. s shows the next suspect."
    )

    def __init__(self, id: str, netlist: Netlist | None = None) -> None:
        """Without `netlist`, as in a capture, nothing is drawn."""
        super().__init__(id)
        self._netlist = netlist
        self._chosen = 0

    def next_one(self) -> None:
        """Show the next suspect, after the last the first."""
        self._chosen += 1
        self._painted = ()
        self._repaint()

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """The list in short, the chosen one in full; before a failure, the causes of a silent board."""
        state = snapshot.bringup
        if state is None or not state.suspects:
            self._chosen = 0
            self.border_title = "suspects"
            causes = snapshot.causes if state is not None and state.stopped_at else ()
            shown = [one for n, cause in enumerate(causes[:_FEW]) for one in cause_lines(cause, width, first=n == 0)]
            return shown or [line(("nobody is under suspicion", "$secondary"))]
        left = [one for one in state.suspects if not one.cleared]
        gone = len(state.suspects) - len(left)
        self.border_title = f"suspects: {state.stopped_at} failed" + (f", {gone} looked at" if gone else "")
        if not left:
            return [line(("all that is known was looked at", "$secondary"))]
        self._chosen %= len(left)
        out = []
        for number, one in enumerate(left):
            if number == self._chosen:
                out += self._in_full(one, width)
            elif number < self._chosen + 2 * _FEW:
                words = f"  {percent(one.probability):>4} {one.part}: {one.title}"
                out.append(line((fit(words, width).rstrip(), "$secondary")))
        return out

    def _in_full(self, one: SuspectState, width: int) -> list[Content]:
        out = wrap("▶ ", f"{percent(one.probability):>4} {one.part}: {one.title}", width, "bold")
        out += [row for why in one.why for row in wrap("    because ", why, width, "$secondary")]
        out += wrap("    look: ", one.look, width)
        rows = [row for pin in one.pins for row in self._drawing(pin)]
        return out + [line((fit(f"    {row}", width).rstrip(), "$secondary")) for row in rows]

    def _drawing(self, ref: str) -> list[str]:
        """A pin with what lies beside it, and its net unless that is a supply, which goes everywhere."""
        if self._netlist is None:
            return []
        part, _, name = ref.rpartition(".")
        pin = self._netlist.circuit.pin(part, name)
        if pin is None:
            return []
        net = draw_net(self._netlist, pin.net) if pin.net and not RAILS.fullmatch(pin.net) else []
        return [*draw_pin(self._netlist, part, name), *net]
