"""The guided story of the demo: what to say and which step comes next, read from the picture and never scripted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from textual.widgets import Static

from console.errors import Outcome
from console.screens.text import line
from console.session.line_tests import CHECKS
from console.snapshot import Snapshot
from console.summary import product_text
from console.words import percent

StepKind = Literal["handshake", "done", "check", "wait", "leave"]


@dataclass(frozen=True, slots=True)
class Step:
    """What the guide says now and what Enter does. `action` is what is recorded as done."""

    kind: StepKind
    say: str
    key: str
    action: str = ""


def step_for(snapshot: Snapshot, scene_title: str) -> Step:
    """The step that fits this picture."""
    if snapshot.running_stage is not None:
        return Step("wait", f"Stage {snapshot.running_stage}: watch the trace.", "one moment")
    if not snapshot.port:
        return Step("wait", "The simulated board starts, in a process of its own, behind a real port.", "one moment")
    if snapshot.attempt == 0:
        return Step("handshake", f"{scene_title} It is connected now.", "try the handshake")
    if snapshot.outcome is Outcome.OK and snapshot.identity is not None and not snapshot.test:
        found = product_text(snapshot.identity)
        return Step(
            "leave", f"Awake and identified: product id {found}. TX, RX and ground are proven.", "leave the demo"
        )
    check = snapshot.next_check
    if check is not None and check.change and snapshot.causes:
        first = snapshot.causes[0]
        caution = f" Caution: {check.caution}" if check.caution else ""
        say = f"{_seen(snapshot)} First suspect: {first.title}, {percent(first.probability)}.{caution}"
        return Step("done", say, check.title, check.action or "")
    if check is not None:
        caution = f" Caution: {check.caution}" if check.caution else ""
        key = "let the console do it" if check.id in CHECKS else "look at what the simulated bench shows"
        return Step("check", f"{_seen(snapshot)} Next: {check.title}.{caution}", key)
    return Step("handshake", f"{_seen(snapshot)} The causes panel says what is most likely.", "try again")


def _seen(snapshot: Snapshot) -> str:
    text = snapshot.observations[0].text if snapshot.observations else "no answer"
    return f"{text[:1].upper()}{text[1:]}."


class GuideLine(Static, can_focus=False):
    """The story, and the key that goes on."""

    HELP: ClassVar[str] = "The guide of the demo. Enter takes the next step; every other key works as usual."

    def tell(self, step: Step) -> None:
        """Show a step."""
        self.update(
            line(("guide ", "bold $text-accent"), ("Enter", "bold"), f": {step.key}", ("  ·  ", "$secondary"), step.say)
        )
