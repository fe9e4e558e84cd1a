"""What is most likely wrong, why, and what to do next; or what the board said about itself."""

from __future__ import annotations

import textwrap
from typing import Final

from textual.content import Content

from console.causes.rank import NextCheck, RankedCause
from console.errors import Outcome
from console.screens.panel import TextPanel
from console.screens.text import line
from console.session.line_tests import CHECKS
from console.snapshot import Snapshot
from console.summary import product_text
from console.words import percent

_BAR: Final = 10
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
        "result counts as evidence."
    )

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """The answer first, then the first cause, the next check, and the other causes."""
        out: list[Content] = []
        identity = snapshot.identity
        ok = snapshot.outcome is Outcome.OK and not snapshot.test
        self.border_title = "board" if ok else "causes and next check"
        if identity is not None and identity.product_id is not None:
            out += _wrap("✓ identified: ", f"product id {product_text(identity)}", width, "$text-success bold")
            if identity.loader_version:
                out += _wrap(
                    "  loader ", f"version {identity.loader_version}, {len(identity.commands)} commands", width
                )
            if identity.readout_protected:
                out += _wrap("▲ ", "read protection is set; removing it erases the chip", width, "$text-warning")
        if ok and snapshot.causes:
            out.append(line(("what it was:", "bold")))
        if snapshot.causes:
            out += _cause(snapshot.causes[0], width, first=True)
        if snapshot.next_check is not None:
            out += _check(snapshot.next_check, width)
        if snapshot.problem is not None and (snapshot.next_check is None or self.roomy):
            out += _wrap(f"✗ {snapshot.problem.code}: ", snapshot.problem.message, width, "$text-error")
            if snapshot.next_check is None:
                out += _wrap("next: ", snapshot.problem.help, width, "bold")
        for cause in snapshot.causes[1:]:
            out += _cause(cause, width, first=self.roomy or height >= 30)
        if self.roomy or not snapshot.causes:
            out += [one for seen in snapshot.observations for one in _wrap("seen: ", seen.text, width, "$secondary")]
        for found in snapshot.findings[-_FINDINGS:]:
            out += _wrap("found: ", f"{found.test}: {found.message}", width, "$secondary")
        out += [one for note in snapshot.notes[-5:] for one in _wrap("note: ", note, width, "$secondary")]
        if not out:
            busy = snapshot.running_stage
            words = f"{busy}: waiting for what the board says" if busy else "nothing is known yet"
            out = [line((words, "$secondary"))]
        return out


def _cause(cause: RankedCause, width: int, *, first: bool) -> list[Content]:
    full = max(0, min(_BAR, round(cause.probability * _BAR)))
    number = f"{percent(cause.probability):>5}"
    title = textwrap.wrap(cause.title, max(10, width - _BAR - 6))
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
            out += _wrap("  because ", why, width, "$secondary")
    return out


def _check(check: NextCheck, width: int) -> list[Content]:
    out = _wrap("next: ", f"{check.title} (about {check.minutes:g} min)", width, "bold $text-accent")
    if check.caution:
        out += _wrap("  ▲ caution: ", check.caution, width, "$text-warning")
    then = "done, try again" if check.action or check.repair else "say what it showed"
    then = f"then press d: {'the console does it' if check.id in CHECKS else then}"
    out += _wrap("  ", then, width)
    if check.why:
        out += _wrap("  ", check.why, width, "$secondary")
    return out


def _wrap(head: str, text: str, width: int, style: str = "") -> list[Content]:
    lines = textwrap.wrap(head + text, max(10, width), subsequent_indent="    ", drop_whitespace=True) or [""]
    return [line((one, style)) for one in lines]
