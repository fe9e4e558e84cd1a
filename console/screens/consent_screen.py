"""The plan before it runs, and the question whether it shall: nothing is ever agreed to by default."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.events import Resize
from textual.widgets import Input, Static

from console.screens.advice import here
from console.screens.marked import Line
from console.screens.sized import SizedQuestion
from console.screens.text import line

_PLAIN: Final = "yes"
_LEAST_PLAN: Final = 4
_AROUND: Final = 4  # the border, and a row of the screen behind it
_SIGNS: Final = {"caution:": "▲", "look:": "!", "note:": "!"}
_MINDED: Final = tuple(_SIGNS)


class PlanText(VerticalScroll):
    """The part that scrolls; `resized` is told of another size."""

    HELP: ClassVar[str] = "What will be done. Arrows and Page keys scroll."

    def __init__(self, resized: Callable[[], None], id: str) -> None:
        super().__init__(id=id)
        self._resized = resized

    def on_resize(self, event: Resize) -> None:
        """More or less of it is in sight."""
        self._resized()


class ConsentScreen(SizedQuestion[bool]):
    """Shows what will be done; y agrees, or the chip's own product id typed where something is erased for good.

    Warnings, cautions and the question always stand there; what is too long for the window scrolls above them.
    """

    HELP: ClassVar[str] = (
        "The plan: what is erased, written and read back, how long it takes at most, and what to keep in mind. y "
        "agrees. Where everything is erased, type the product id that is asked for and press Enter. Escape changes "
        "nothing. Arrows and Page keys scroll; Tab moves between the plan and what is to be typed."
    )
    BINDINGS: ClassVar = [Binding("y", "yes", "yes"), Binding("escape,n", "no", "no")]

    # the base class declares it as an instance variable
    VERTICAL_BREAKPOINTS = [(0, "-low"), (30, "-high")]  # noqa: RUF012

    def __init__(self, said: Sequence[str], question: str, wanted: str) -> None:
        super().__init__()
        told = [here(text) for text in paragraphs(said) if text]
        self._minded = [text for text in told if text.startswith(_MINDED)]
        self._details = [text for text in told if not text.startswith(_MINDED)]
        self._question = question
        self._wanted = wanted

    def compose(self) -> ComposeResult:
        """Plan, question, keys."""
        with Vertical(id="consent"):
            with PlanText(self._tell, id="plan"):
                yield Static(Content("\n").join(map(_styled, self._details)), markup=False)
            with VerticalScroll(id="minded"):
                yield Static(Content("\n").join(map(_styled, self._minded)), markup=False)
            yield Static(line((self._question, "bold")), markup=False)
            if self._wanted != _PLAIN:
                box = Line(f"Type {self._wanted} to go on:", "", "typed")
                yield box.label
                yield box
            yield Static("", id="told", markup=False)

    def on_mount(self) -> None:
        """Type at once, or scroll."""
        (self.query_one("#plan") if self._wanted == _PLAIN else self.query_one(Input)).focus()

    def on_resize(self, event: Resize) -> None:
        """The plan gets what room the rest leaves."""
        super().on_resize(event)
        self.call_after_refresh(self._share)

    def _share(self) -> None:
        plan, box = self.query_one("#plan"), self.query_one("#consent")
        others = sum(one.outer_size.height + one.styles.margin.height for one in box.children if one is not plan)
        plan.styles.max_height = max(_LEAST_PLAN, self.size.height - _AROUND - others)

    def _tell(self, wrong: str = "") -> None:
        if wrong:
            self.query_one("#told", Static).update(line((f"✗ {wrong}", "$text-error")))
            return
        key, words = ("y", " yes, go on") if self._wanted == _PLAIN else ("Enter", " go on")
        out = line((key, "bold"), f"{words}    ", ("Esc", "bold"), " no")
        if self.query_one("#plan").max_scroll_y:
            out += line("    ", ("↑↓", "bold"), " there is more of the plan")
        self.query_one("#told", Static).update(out)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """The id, or not."""
        if event.value.strip().casefold() == self._wanted.casefold():
            self._agree()
        else:
            self._tell(f"that is not {self._wanted}; Esc changes nothing")

    def action_yes(self) -> None:
        """Agreed, where one key is enough."""
        if self._wanted == _PLAIN:
            self._agree()

    def _agree(self) -> None:
        minded = self.query_one("#minded")
        if minded.scroll_offset.y < minded.max_scroll_y:  # nobody agrees to cautions that were not on the screen
            minded.scroll_page_down(animate=False)
            self._tell("there is more to mind above: read it, then agree")
        else:
            self.dismiss(True)

    def action_no(self) -> None:
        """No."""
        self.dismiss(False)


def paragraphs(said: Iterable[str]) -> list[str]:
    """Lines as they were said; a line that begins with a space goes on where the one before it ended."""
    out: list[str] = []
    for text in said:
        if text.startswith(" ") and out:
            out[-1] += f" {text.strip()}"
        else:
            out.append(text)
    return out


def _styled(text: str) -> Content:
    sign = next((sign for start, sign in _SIGNS.items() if text.startswith(start)), "")
    return line((f"{sign} {text}", "$text-warning")) if sign else line(text)
