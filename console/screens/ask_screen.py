"""Small questions: yes or no with a caution, and the name of a file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.content import Content
from textual.events import Key
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static

from console.causes.rank import NextCheck
from console.errors import UsageTrouble
from console.operating import Reply, measured
from console.screens.marked import MarkedList
from console.screens.sized import SizedQuestion
from console.screens.text import line
from console.text import clean


class AskScreen(ModalScreen[bool]):
    """A question that Enter or y answers with yes, Escape or n with no."""

    HELP: ClassVar[str] = "Enter or y: yes. Escape or n: no, nothing happens."
    BINDINGS: ClassVar = [Binding("enter,y", "yes", "yes"), Binding("escape,n", "no", "no")]

    def __init__(
        self,
        question: str,
        caution: str | None = None,
        yes: str = "yes",
        no: str = "no",
        means: Sequence[tuple[str, str]] = (),
    ) -> None:
        super().__init__()
        self._question = question
        self._caution = caution
        self._yes = yes
        self._no = no
        self._means = means

    def compose(self) -> ComposeResult:
        """Question, caution, what each result would mean, keys."""
        parts = [line((self._question, "bold"))]
        if self._caution:
            parts += [Content(""), line(("▲ caution: " + self._caution, "$text-warning"))]
        if self._means:
            parts += [Content(""), *(line((result, "bold"), f": {words}") for result, words in self._means)]
        parts += [Content(""), line(("Enter", "bold"), f" {self._yes}    ", ("Esc", "bold"), f" {self._no}")]
        with VerticalScroll(id="ask", can_focus=False):
            yield Static(Content("\n").join(parts), markup=False)

    def action_yes(self) -> None:
        """Yes."""
        self.dismiss(True)

    def action_no(self) -> None:
        """No."""
        self.dismiss(False)


class ChooseScreen(SizedQuestion[int | None]):
    """One of several: which task or test to do, what is at hand."""

    HELP: ClassVar[str] = "A number or arrows move the sign, Enter takes what has it. Escape: none."
    BINDINGS: ClassVar = [Binding("escape", "no", "back")]

    def __init__(self, question: str, caution: str | None, answers: Sequence[tuple[str, str]], yes: str) -> None:
        super().__init__()
        self._question = question
        self._caution = caution
        self._answers = answers
        self._yes = yes

    def compose(self) -> ComposeResult:
        """Question, caution, outcomes with what each would mean, keys."""
        with VerticalScroll(id="ask", can_focus=False):
            yield Static(line((self._question, "bold")), markup=False)
            if self._caution:
                yield Static(line(("▲ caution: " + self._caution, "$text-warning")), markup=False)
            yield MarkedList(
                *(line((f"{n} {answer}", "bold"), f": {means}") for n, (answer, means) in enumerate(self._answers, 1)),
                markup=False,
            )
            yield Static(_keys(self._answers, self._yes), markup=False)

    def on_mount(self) -> None:
        """The list takes the keys."""
        self.query_one(OptionList).focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Chosen."""
        self.dismiss(event.option_index)

    def on_key(self, event: Key) -> None:
        """A number moves the sign."""
        go_to(self, event)

    def action_no(self) -> None:
        """Nothing."""
        self.dismiss(None)


def go_to(screen: SizedQuestion[Any], event: Key) -> None:
    """A digit highlights that answer of the screen's list.

    It does not take it: who presses Enter after it by habit would answer the next question unread.
    """
    if event.character is not None and event.character in "123456789" and not screen.too_small:
        event.stop()
        answers = screen.query_one(OptionList)
        if int(event.character) <= answers.option_count:
            answers.highlighted = int(event.character) - 1


def _keys(answers: Sequence[object], yes: str) -> Content:
    numbers = f"1-{min(9, len(answers))} ↑↓"
    return line((numbers, "bold"), " choose    ", ("Enter", "bold"), f" {yes}    ", ("Esc", "bold"), " back")


class FoundScreen(SizedQuestion[Reply | None]):
    """What a check showed: a measured value, or one of its outcomes."""

    HELP: ClassVar[str] = (
        "Type the value you measured (3.29, 3290 mV, open) and press Enter, or Tab to the outcomes, choose with arrows "
        "or a number, and press Enter. Escape: nothing is recorded."
    )
    BINDINGS: ClassVar = [Binding("escape", "no", "back")]

    def __init__(self, check: NextCheck) -> None:
        super().__init__()
        self._check = check

    def compose(self) -> ComposeResult:
        """Question, caution, value, outcomes with what each would mean, keys."""
        check = self._check
        with VerticalScroll(id="ask", can_focus=False):
            yield Static(line((f"{check.title}: what did it show?", "bold")), markup=False)
            if check.caution:
                yield Static(line(("▲ caution: " + check.caution, "$text-warning")), markup=False)
            if check.scale is not None:
                value = Input(placeholder=f"{check.scale.quantity}, in {check.scale.unit}", id="value", compact=True)
                value.cursor_blink = False
                yield value
                yield Static("", id="wrong", markup=False)
            yield MarkedList(
                *(line((f"{n} {answer}", "bold"), f": {means}") for n, (answer, means) in enumerate(check.answers, 1)),
                markup=False,
            )
            yield Static(_keys(check.answers, "that is what it showed"), markup=False)

    def on_mount(self) -> None:
        """The value takes the keys, or the list."""
        self.query_one(Input if self._check.scale is not None else OptionList).focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """A value, or words that are none."""
        try:
            reply = measured(self._check, event.value)
        except UsageTrouble as trouble:
            self._tell_wrong(f"{trouble.message}: {trouble.help}")
            return
        self.dismiss(reply)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Chosen; a value that was typed too must say the same."""
        outcome = self._check.answers[event.option_index][0]
        typed = self.query_one(Input).value.strip() if self._check.scale is not None else ""
        if not typed:
            self.dismiss(Reply("found", outcome))
            return
        try:
            reply = measured(self._check, typed)
        except UsageTrouble as trouble:
            self._tell_wrong(f"{trouble.message}: {trouble.help}")
            return
        if reply.outcome == outcome:
            self.dismiss(reply)
        else:
            self._tell_wrong(
                f"{clean(typed, 20)} means {reply.outcome}, you chose {outcome}: clear the value or choose again"
            )

    def _tell_wrong(self, words: str) -> None:
        self.query_one("#wrong", Static).update(line((f"✗ {words}", "$text-error")))

    def on_key(self, event: Key) -> None:
        """Numbers go to an outcome where no value is typed; Enter takes it."""
        if not isinstance(self.focused, Input):
            go_to(self, event)

    def action_no(self) -> None:
        """Nothing."""
        self.dismiss(None)


class WordsScreen(ModalScreen[str | None]):
    """Asks for a line of words. `value` stands there already; `note` is said under it; `yes` is what Enter does."""

    HELP: ClassVar[str] = "Type and press Enter; Escape goes back and changes nothing."
    BINDINGS: ClassVar = [Binding("escape", "no", "back")]

    def __init__(
        self, question: str, placeholder: str, *, value: str = "", note: str = "", yes: str = "write it"
    ) -> None:
        super().__init__()
        self._question = question
        self._placeholder = placeholder
        self._value = value
        self._note = note
        self._yes = yes

    def compose(self) -> ComposeResult:
        """Question, input, note, keys."""
        with VerticalScroll(id="ask", can_focus=False):
            yield Static(line((self._question, "bold")), markup=False)
            words = Input(value=self._value, placeholder=self._placeholder, id="words")
            words.cursor_blink = False
            yield words
            if self._note:
                yield Static(line((self._note, "$secondary")), markup=False)
            yield Static(line(("Enter", "bold"), f" {self._yes}    ", ("Esc", "bold"), " back"), markup=False)

    def on_mount(self) -> None:
        """Type at once."""
        self.query_one(Input).focus()

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The words are there."""
        self.dismiss(event.value.strip() or None)

    def action_no(self) -> None:
        """Nothing."""
        self.dismiss(None)


class FileScreen(WordsScreen):
    """Asks for the name of a capture."""

    HELP: ClassVar[str] = "Type the path of a capture (pcapng) and press Enter; Escape goes back."

    def __init__(self) -> None:
        found = captures_here()
        here = "in this folder: " + ", ".join(found[:6]) if found else "no .pcapng file in this folder"
        first = found[0] if found else ""
        super().__init__(
            "which capture shall be replayed?", "path of a .pcapng file", value=first, note=here, yes="open"
        )


def captures_here() -> list[str]:
    """Names of the captures in the working folder, newest first; names that are no plain text are left out."""
    try:
        found = sorted(Path.cwd().glob("*.pcapng"), key=lambda path: -path.stat().st_mtime)
    except OSError:
        return []
    return [path.name for path in found if clean(path.name) == path.name]
