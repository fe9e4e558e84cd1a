"""The three panels of a bring-up: the plan with its stages, the step that is asked for, and the suspects."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import Final

from textual.content import Content

from console.boards.drawing import draw_net, draw_pin
from console.boards.netlist import Netlist
from console.bringup.fold import BringupState, StageState, State, SuspectState
from console.bringup.words import repaired_words, suspect_words
from console.causes.rank import NextCheck
from console.errors import Outcome
from console.screens.advice import here
from console.screens.causes_panel import cause_lines, wrap
from console.screens.panel import TextPanel
from console.screens.text import fit, line
from console.snapshot import Snapshot
from console.words import count_of, percent, reason

_SIGNS: Final = {
    State.WAITING: ("·", "$secondary"),
    State.RUNNING: ("▶", "$text-accent"),
    State.PASSED: ("✓", "$text-success"),
    State.FAILED: ("✗", "$text-error"),
    State.LEFT: ("◁", "$text-warning"),
    State.AGAIN: ("↻", "$text-warning"),
    State.TRUSTED: ("-", "$secondary"),
    State.SKIPPED: ("o", "$text-warning"),
}
_STATE_WIDTH: Final = 7
_FEW: Final = 3


class _Told(TextPanel):
    """A panel that says on its edge how much of its text lies out of sight."""

    HELP = "Arrows and Page keys scroll, z gives the panel the whole screen."

    def on_focus(self) -> None:
        """Other keys read on."""
        self.paint_again()

    def on_blur(self) -> None:
        """Other keys read on."""
        self.paint_again()

    def named(self, name: str, lines: list[Content], height: int) -> list[Content]:
        """`lines` as they are, and `name` on the edge, with what lies out of sight."""
        hidden = len(lines) - height
        way = "arrows scroll" if self.roomy else "z shows all" if self.has_focus else "Tab, z"
        self.border_title = f"{name}, {count_of(hidden, 'more line')}: {way}" if hidden > 0 else name
        return lines


class PlanPanel(_Told):
    """The stages in order: sign, name, state in words, what was found."""

    TITLE = "plan"
    HELP = (
        "The stages of the plan in their order. ✓ passed, ✗ failed, ▶ runs now, · waits, ◁ was left, ↻ counts again "
        "because what it uses was worked on, - is taken as passed, o was left out. Behind it stands what was found, "
        "and how far it is out of its limits. Arrows and Page keys scroll, z shows all that is cut off here."
    )

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """One line per stage, all of the text where there is room; the one that matters now is brought into view."""
        state = snapshot.bringup
        if state is None:
            return [line(("the plan has not begun", "$secondary"))]
        words = f"plan: {state.passed_words}"
        self.border_title = words if len(words) < width - 4 else words.replace(" without being run", "")
        name_width = max((len(stage.id) for stage in state.stages), default=4)
        now, at, out = state.current or state.stopped_at, None, list[Content]()
        for stage in state.stages:
            at = len(out) if stage.id == now else at
            out += _stage_lines(stage, name_width, width, whole=self.roomy)
        if at is not None and not self.has_focus:
            self.scroll_to(y=max(0, at - height // 2), animate=False)
        return out


def _stage_lines(stage: StageState, name_width: int, width: int, *, whole: bool) -> list[Content]:
    sign, style = _SIGNS[stage.state]
    told = stage.off or stage.found or stage.title
    head = f"{stage.id:<{name_width}} {stage.state.value:<{_STATE_WIDTH}} "
    bold = "bold" if stage.state in (State.RUNNING, State.FAILED) else ""
    plain = "$secondary" if stage.state is State.WAITING else bold
    room = max(10, width - len(head) - 2)
    rows = textwrap.wrap(told, room, break_on_hyphens=False) or [""] if whole else [fit(told, room).rstrip()]
    first = line((f"{sign} ", style), (head, plain), (rows[0], plain))
    return [first, *(line((" " * (len(head) + 2) + row, plain)) for row in rows[1:])]


class StepPanel(_Told):
    """What is to be done now, with its caution, and how to say what it showed."""

    TITLE = "now"
    HELP = (
        "The step that the plan waits for. The caution belongs to it and comes first. Do it, then press Enter and say "
        "what it showed: a value as the meter shows it (3.29, 3290 mV, open), or one of the answers. k leaves the step "
        "out, u takes the latest answer back, m writes a note, x stops; z gives the panel the whole screen."
    )

    def __init__(self, id: str, asked: Callable[[], NextCheck | None], *, plays: bool = False) -> None:
        """`plays`: Enter has the simulated bench's hands do the step."""
        super().__init__(id)
        self._asked = asked
        self._plays = plays

    def asked_anew(self) -> None:
        """Another question, which is no part of the picture: paint even if the picture is the same, from its top."""
        self._painted = ()
        self.scroll_home(animate=False)

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """The question, or what runs, or how it ended."""
        return self.named(self.TITLE, self._lines(snapshot, width), height)

    def _lines(self, snapshot: Snapshot, width: int) -> list[Content]:
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
        out += wrap("· ", repaired_words(done), width)
    return out


class SuspectsPanel(_Told):
    """Whom to look at after a failure, why, and the net of the one that is chosen, drawn."""

    TITLE = "suspects"
    HELP = (
        "Whom to look at after the plan stopped, in the order that pays most for its minutes: by chance over the time "
        "to look and be sure, so that a quick look can stand before a likelier one. Before that stands a test that "
        "saves more looking than it takes, where there is one. The number says how "
        "probable it is; it comes from reasoned weights. 'because' says which stages speak for and against it. Under "
        "it stand its pins, what lies beside them, and their net. s shows the next suspect, z all of them in full."
    )

    def __init__(self, id: str, netlist: Netlist | None = None, is_rail: Callable[[str], bool] = bool) -> None:
        """Without `netlist`, as in a capture, nothing is drawn; what `is_rail` takes for a supply never is."""
        super().__init__(id)
        self._netlist = netlist
        self._is_rail = is_rail
        self._chosen = ""
        self._shown: tuple[str, ...] = ()

    def next_one(self) -> None:
        """Show the next suspect, after the last the first."""
        if self._shown:
            at = self._shown.index(self._chosen) if self._chosen in self._shown else -1
            self._chosen = self._shown[(at + 1) % len(self._shown)]
            self.scroll_home(animate=False)
            self.paint_again()

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """The list in short, the chosen one in full; before a failure, the causes of a silent board."""
        state = snapshot.bringup
        if state is None or not state.suspects:
            self._shown, self._chosen = (), ""
            causes = snapshot.causes if state is not None and state.stopped_at else ()
            shown = [one for n, cause in enumerate(causes[:_FEW]) for one in cause_lines(cause, width, first=n == 0)]
            return self.named("suspects", shown or [line(("nobody is under suspicion", "$secondary"))], height)
        left = [one for one in state.suspects if not one.cleared]
        gone = len(state.suspects) - len(left)
        name = f"suspects: {state.stopped_at} failed" + (f", {gone} looked at" if gone else "")
        if not left:
            return self.named(name, [line(("all that is known was looked at", "$secondary"))], height)
        keys = tuple(one.key for one in left)
        if keys != self._shown:  # ranked anew: the one that is asked for comes first
            asked = state.asked.id if state.asked is not None else ""
            self._shown, self._chosen = keys, asked if asked in keys else keys[0]
            self.scroll_home(animate=False)
        at = keys.index(self._chosen)
        out: list[Content] = []
        if state.before and state.asked is None:  # while it is asked for it stands under "now"
            out += wrap("before you look: ", state.before, width, "bold")
        for number, one in enumerate(left):
            if number == at or self.roomy:
                out += self._in_full(one, width, "▶" if number == at else " ", drawn=number == at)
            elif number < at + 2 * _FEW:
                words = f"  {percent(one.probability):>4} {suspect_words(one)}"
                out.append(line((fit(words, width).rstrip(), "$secondary")))
        return self.named(name, out, height)

    def _in_full(self, one: SuspectState, width: int, sign: str, *, drawn: bool) -> list[Content]:
        out = wrap(f"{sign} ", f"{percent(one.probability):>4} {suspect_words(one)}", width, "bold")
        out += wrap("    look: ", one.look, width)
        out += [row for why in one.why for row in wrap("    ", reason(why), width, "$secondary")]
        if not drawn:
            return out
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
        net = draw_net(self._netlist, pin.net) if pin.net and not self._is_rail(pin.net) else []
        return [*draw_pin(self._netlist, part, name), *net]
