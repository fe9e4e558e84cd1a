"""What takes the keys is told by a sign before it, not by its colour alone."""

from __future__ import annotations

from typing import ClassVar, Final

from rich.segment import Segment
from textual.events import Blur, Focus
from textual.strip import Strip
from textual.widgets import Checkbox, Input, OptionList, Static

from console.screens.text import line

MARK: Final = "› "
CHOSEN: Final = "· "
_NONE: Final = " " * len(MARK)


class MarkedList(OptionList):
    """A list whose highlighted row has the sign before it; a dot while the keys go elsewhere."""

    HELP: ClassVar[str] = "Arrows choose, Enter takes what has the sign before it."

    def _get_left_gutter_width(self) -> int:
        return len(MARK)

    def render_line(self, y: int) -> Strip:
        """The row, and the sign or as much room."""
        strip = super().render_line(y)
        at = self.scroll_offset.y + y
        rows = self._lines
        highlighted = at < len(rows) and rows[at] == (self.highlighted, 0)
        sign = (MARK if self.has_focus else CHOSEN) if highlighted else _NONE
        style = next((segment.style for segment in strip), None)
        return Strip([Segment(sign, style), *strip])


class Line(Input):
    """One line to type into, under words of its own that carry the sign."""

    HELP: ClassVar[str] = "Type; Enter goes on, Tab moves to the next line."

    def __init__(self, words: str, value: str, id: str) -> None:
        super().__init__(value=value, id=id, compact=True)
        self.cursor_blink = False
        self._words = words
        self.label = Static("", markup=False)
        self._mark(_NONE)

    def on_focus(self, event: Focus) -> None:
        """The sign comes."""
        self._mark(MARK)

    def on_blur(self, event: Blur) -> None:
        """The sign goes."""
        self._mark(_NONE)

    def _mark(self, sign: str) -> None:
        self.label.update(line(sign, (self._words, "$secondary")))


class Tick(Checkbox):
    """A switch that is told by its sign: a set one has an x, the other none."""

    HELP: ClassVar[str] = "Space sets the tick, or takes it away."

    def __init__(self, words: str, id: str) -> None:
        super().__init__(line(_NONE + words), id=id, compact=True)
        self._words = words
        self.BUTTON_INNER = " "

    def watch_value(self) -> None:
        """The sign follows."""
        self.BUTTON_INNER = "x" if self.value else " "
        super().watch_value()

    def on_focus(self, event: Focus) -> None:
        """The sign comes."""
        self.label = line(MARK + self._words)

    def on_blur(self, event: Blur) -> None:
        """The sign goes."""
        self.label = line(_NONE + self._words)
