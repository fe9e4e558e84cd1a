"""The plan before it runs, and the question whether it shall: nothing is ever agreed to by default."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from console.screens.advice import here
from console.screens.text import line

_PLAIN: Final = "yes"


class ConsentScreen(ModalScreen[bool]):
    """Shows what will be done; y agrees, or the chip's own product id typed where something is erased for good."""

    HELP: ClassVar[str] = (
        "The plan: what is erased, written and read back, how long it takes at most, and what to keep in mind. y "
        "agrees. Where everything is erased, type the product id that is asked for and press Enter. Escape changes "
        "nothing. Arrows and Page keys scroll."
    )
    BINDINGS: ClassVar = [Binding("y", "yes", "yes"), Binding("escape,n", "no", "no")]

    def __init__(self, said: Sequence[str], question: str, wanted: str) -> None:
        super().__init__()
        self._said = said
        self._question = question
        self._wanted = wanted

    def compose(self) -> ComposeResult:
        """Plan, question, keys."""
        with VerticalScroll(id="consent"):
            with VerticalScroll(id="plan"):
                yield Static(Content("\n").join(map(_styled, map(here, self._said))), markup=False)
            if self._wanted == _PLAIN:
                yield Static(line((self._question, "bold")), markup=False)
                yield Static(line(("y", "bold"), " yes, go on    ", ("Esc", "bold"), " no"), markup=False)
            else:
                yield Static(line((f"{self._question} Type {self._wanted} to go on:", "bold")), markup=False)
                box = Input(id="typed", compact=True)
                box.cursor_blink = False
                yield box
                yield Static(line(("Enter", "bold"), " go on    ", ("Esc", "bold"), " no"), id="told", markup=False)

    def on_mount(self) -> None:
        """Type at once, or scroll."""
        (self.query_one("#plan") if self._wanted == _PLAIN else self.query_one(Input)).focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The id, or not."""
        if event.value.strip().casefold() == self._wanted.casefold():
            self.dismiss(True)
            return
        words = f"✗ that is not {self._wanted}; Esc changes nothing"
        self.query_one("#told", Static).update(line((words, "$text-error")))

    def action_yes(self) -> None:
        """Agreed, where one key is enough."""
        if self._wanted == _PLAIN:
            self.dismiss(True)

    def action_no(self) -> None:
        """No."""
        self.dismiss(False)


def _styled(text: str) -> Content:
    if text.startswith("caution:"):
        return line((f"▲ {text}", "$text-warning"))
    return line((f"! {text}", "$text-warning")) if text.startswith("look:") else line(text)
