"""What the panels share: a focusable, scrolling area that repaints a text from a snapshot when width or data change."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.content import Content
from textual.events import Resize, Show
from textual.reactive import reactive
from textual.widgets import Static

from console.snapshot import Snapshot


class TextPanel(VerticalScroll):
    """A panel painted as lines of text. Subclasses say how in `paint`."""

    HELP: ClassVar[str] = "Arrows and Page keys scroll."
    TITLE: ClassVar[str] = ""
    snapshot: reactive[Snapshot | None] = reactive(None)
    """The picture to paint."""
    roomy: reactive[bool] = reactive(False)
    """Whether the panel has the whole screen."""

    def __init__(self, id: str) -> None:
        super().__init__(id=id, classes="panel")
        self._text = Static("", markup=False)
        self._painted: tuple[object, ...] = ()

    def on_mount(self) -> None:
        """Name the panel on its top edge."""
        self.border_title = self.TITLE

    def compose(self) -> ComposeResult:
        """One text."""
        yield self._text

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """The lines for this picture; `height` is the space without scrolling."""
        raise NotImplementedError

    def watch_snapshot(self) -> None:
        """New data."""
        self._repaint()

    def paint_again(self) -> None:
        """Something changed that is not in the picture."""
        self._painted = ()
        self._repaint()

    def watch_roomy(self) -> None:
        """More or less space."""
        self._repaint()

    def on_resize(self, event: Resize) -> None:
        """Another width."""
        self._repaint()

    def on_show(self, event: Show) -> None:
        """What was painted while hidden had no room to be laid out in."""
        self.call_after_refresh(lambda: self._text.update(self._text.content))

    def _repaint(self) -> None:
        if self.snapshot is None or not self.size.width:
            return
        key = (self.snapshot, self.size, self.roomy)
        if key != self._painted:
            self._painted = key
            width = max(20, self.scrollable_content_region.width)
            lines = self.paint(self.snapshot, width, max(1, self.size.height))
            put(self._text, Content("\n").join(lines))


def put(place: Static, text: Content) -> None:
    """Show `text` unless it stands there already; the layout is worked out again only for another number of lines."""
    before = place.content
    if isinstance(before, Content) and (before.plain, before.spans) == (text.plain, text.spans):
        return
    same_lines = isinstance(before, Content) and before.plain.count("\n") == text.plain.count("\n")
    place.update(text, layout=not same_lines)
