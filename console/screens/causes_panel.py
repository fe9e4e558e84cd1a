"""What is most likely wrong, why, and what to do next; or what the board said about itself."""

from __future__ import annotations

import textwrap
from typing import Final

from textual.content import Content

from console.causes.rank import NextCheck, RankedCause
from console.errors import Outcome
from console.screens.advice import here
from console.screens.panel import TextPanel
from console.screens.text import line
from console.session.line_tests import CHECKS
from console.snapshot import Snapshot
from console.summary import clash_text, cost_text, loader_text, outlook_text, product_text
from console.words import percent, reason

_BAR: Final = 10
_LOW: Final = 9
_FINDINGS: Final = 2


class CausesPanel(TextPanel):
    """Causes with probability and reasons, and the next check with its time and caution."""

    TITLE = "causes"
    HELP = (
        "What most likely keeps the board from answering. The bar and the number say how probable each cause is after "
        "all that was seen; they come from reasoned weights and order suspects, they are no measured rates.\n\n"
        "'because' names the evidence that moved the cause most. 'next' is the check that pays most for its minutes; "
        "a caution stands with it when hands are involved.\n\n"
        "A check that the console can do by itself it does when you press d; e offers all such tests.\n\n"
        "When the check was a change (such as a swap), press d once it is done: the attempt is repeated and the "
        "result counts as evidence. k skips a check, u takes the latest answer back, m writes a note, a says that "
        "you have a good board or a spare adapter.\n\n"
        "'hardly go together' names two answers that no known cause gives."
    )

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """The answer first, then the first cause, the next check, and the other causes."""
        out: list[Content] = []
        identity = snapshot.identity
        ok = snapshot.outcome is Outcome.OK and not snapshot.test
        self.border_title = "board" if ok else "causes and next check"
        if identity is not None and identity.product_id is not None:
            out += wrap("✓ identified: ", f"product id {product_text(identity)}", width, "$text-success bold")
            if identity.loader_version:
                out += wrap("  loader ", loader_text(identity), width)
            if identity.readout_protected:
                out += wrap("▲ ", "read protection is set; removing it erases the chip", width, "$text-warning")
        if ok and snapshot.causes:
            out.append(line(("what it was:", "bold")))
        low = height < _LOW and not self.roomy  # then what to do, with its caution, must not lie below the reasons
        if snapshot.causes:
            out += cause_lines(snapshot.causes[0], width, first=True)[: 1 if low else None]
        for clash in snapshot.contradictions:
            out += wrap("▲ hardly go together: ", clash_text(clash), width, "$text-warning")
        if snapshot.next_check is not None:
            out += _check(snapshot.next_check, width, roomy=self.roomy)
        if low and snapshot.causes:
            out += cause_lines(snapshot.causes[0], width, first=True)[1:]
        if snapshot.problem is not None and (snapshot.next_check is None or self.roomy):
            out += wrap(f"✗ {snapshot.problem.code}: ", snapshot.problem.message, width, "$text-error")
            if snapshot.next_check is None:
                out += wrap("next: ", here(snapshot.problem.help), width, "bold")
        for cause in snapshot.causes[1:]:
            out += cause_lines(cause, width, first=self.roomy or height >= 30)
        if self.roomy or not snapshot.causes:
            out += [one for seen in snapshot.observations for one in wrap("seen: ", seen.text, width, "$secondary")]
        for found in snapshot.findings[-_FINDINGS:]:
            out += wrap("found: ", f"{found.test}: {found.message}", width, "$secondary")
        out += [one for note in snapshot.notes[-5:] for one in wrap("note: ", note, width, "$secondary")]
        if not out:
            busy = snapshot.running_stage
            words = f"{busy}: waiting for what the board says" if busy else "nothing is known yet"
            out = [line((words, "$secondary"))]
        return out


def cause_lines(cause: RankedCause, width: int, *, first: bool) -> list[Content]:
    full = max(0, min(_BAR, round(cause.probability * _BAR)))
    number = f"{percent(cause.probability):>5}"
    title = textwrap.wrap(cause.title, max(10, width - _BAR - 6), break_on_hyphens=False)
    out = [
        line(
            ("█" * full + "░" * (_BAR - full), "$text-warning" if first else "$secondary"),
            (number + " ", "bold"),
            (title[0], "bold" if first else ""),
        ),
        *(line((" " * (_BAR + 6) + more, "bold" if first else "")) for more in title[1:]),
    ]
    if first:
        for why in cause.why:
            out += wrap("  ", reason(why), width, "$secondary")
    return out


def _check(check: NextCheck, width: int, *, roomy: bool) -> list[Content]:
    out = wrap("next: ", f"{check.title} ({cost_text(check)})", width, "bold $text-accent")
    if check.caution:
        out += wrap("  ▲ caution: ", check.caution, width, "$text-warning")
    then = "done, try again" if check.change else "say what it showed"
    then = "the console does it" if check.id in CHECKS else then
    out += wrap("  ", f"then press d: {then} (k skips it, u takes an answer back)", width)
    if check.why:
        out += wrap("  ", check.why, width, "$secondary")
    if roomy and outlook_text(check):
        out += wrap("  ", outlook_text(check), width, "$secondary")
    return out


def wrap(head: str, text: str, width: int, style: str = "") -> list[Content]:
    lines = textwrap.wrap(head + text, max(10, width), subsequent_indent="    ", break_on_hyphens=False)
    return [line((one, style)) for one in lines or [""]]
