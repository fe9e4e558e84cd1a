"""What fixed the board: the cause from the list, the part, the joint, a note."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from console.causes.catalogue import catalogue
from console.notebook.entry import LONGEST_NAME, LONGEST_NOTE, Fix
from console.screens.marked import MarkedList
from console.screens.text import line
from console.text import clean

_UNKNOWN = "-"
_FIELDS = (
    ("part", "the part, as U4", LONGEST_NAME),
    ("joint", "its pin or joint, as 17", LONGEST_NAME),
    ("note", "anything that helps next time", LONGEST_NOTE),
)


class FixScreen(ModalScreen[Fix | None]):
    """Asks what was wrong; `likely` are cause ids to offer first."""

    HELP: ClassVar[str] = (
        "Highlight what was wrong, Tab to part, joint and note, then Enter. Only the one thing that cured the board "
        "counts: if you did two at once, say so in the note and leave the cause open. Escape: nothing is noted."
    )
    BINDINGS: ClassVar = [Binding("escape", "no", "back")]

    def __init__(self, question: str, likely: Sequence[str]) -> None:
        super().__init__()
        self._question = question
        known = catalogue().causes
        first = [cause for cause in dict.fromkeys(likely) if cause in known]
        self._order = [*first, *(cause for cause in known if cause not in first)]

    def compose(self) -> ComposeResult:
        """Question, causes, fields, keys."""
        with VerticalScroll(id="ask", can_focus=False):
            yield Static(line((self._question, "bold")), markup=False)
            options = [Option(catalogue().title(cause), id=cause) for cause in self._order]
            yield MarkedList(
                *options, Option("not known, or none of these", id=_UNKNOWN), id="fix-causes", markup=False
            )
            for name, words, longest in _FIELDS:
                field = Input(placeholder=words, id=f"fix-{name}", max_length=longest, compact=True)
                field.cursor_blink = False
                yield field
            yield Static(
                line(("Enter", "bold"), " note it    ", ("Tab", "bold"), " next    ", ("Esc", "bold"), " back"),
                markup=False,
            )

    def on_mount(self) -> None:
        """The causes take the keys."""
        listing = self.query_one("#fix-causes", OptionList)
        listing.highlighted = 0
        listing.focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter on a cause."""
        self._done()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Enter in a field."""
        self._done()

    def action_no(self) -> None:
        """Nothing."""
        self.dismiss(None)

    def _done(self) -> None:
        at = self.query_one("#fix-causes", OptionList).highlighted
        cause = self._order[at] if at is not None and at < len(self._order) else ""
        part, joint, note = (
            clean(self.query_one(f"#fix-{name}", Input).value.strip(), longest) for name, _, longest in _FIELDS
        )
        if joint and not part:
            self.query_one("#fix-part", Input).focus()
            self.notify("a joint needs its part", markup=False)
        elif cause or part or note:
            self.dismiss(Fix(cause, part, joint, note))
        else:
            self.query_one("#fix-note", Input).focus()
            self.notify("say at least what you did, as a note", markup=False)
