"""The notebook's sessions as virtual rows: ten thousand of them cost no more than those on the screen."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from rich.cells import set_cell_size
from rich.segment import Segment
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.reactive import reactive
from textual.scroll_view import ScrollView
from textual.strip import Strip

from console.errors import Outcome
from console.notebook.history import SessionRow
from console.notebook.words import NO_NAME, result, what, when

_BOARD = 13
_RESULT = 22
_WHAT = 60


class SessionList(ScrollView, can_focus=True):
    """A window on a list of sessions, the latest first."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "session--good", "session--bad", "session--faint", "session--cursor",
    }  # fmt: skip
    HELP: ClassVar[str] = (
        "Every session the notebook holds, the latest first: number, when it began (UTC), board, how it went, and what "
        "was wrong. ✓ passed, ✗ did not, ? is only suspected, ~ is a simulated board and counts nowhere. Arrows and "
        "Page keys move; the page beside or below shows the highlighted one."
    )
    BINDINGS: ClassVar[list[BindingType]] = [Binding("enter", "open_page", "read the page", show=False)]
    cursor: reactive[int] = reactive(0, repaint=False)
    """The row the person is at."""

    class Highlighted(Message):
        """The person is at this session now; None: the list is empty."""

        def __init__(self, session: int | None) -> None:
            super().__init__()
            self.session = session

    class Opened(Message):
        """The person wants to read the page."""

    def __init__(self, id: str) -> None:
        super().__init__(id=id, classes="panel")
        self.rows: Sequence[SessionRow] = ()
        self.border_title = "sessions"

    @property
    def chosen(self) -> SessionRow | None:
        """The highlighted session."""
        return self.rows[self.cursor] if self.cursor < len(self.rows) else None

    def show(self, rows: Sequence[SessionRow]) -> None:
        """Show these; the person stays at the same session if it is among them."""
        before = self.chosen
        self.rows = rows
        self.virtual_size = Size(self._width, len(rows))
        at = 0 if before is None else next((n for n, row in enumerate(rows) if row.id == before.id), 0)
        self._go(at)

    def action_open_page(self) -> None:
        """Read the page."""
        self.post_message(self.Opened())

    def action_scroll_up(self) -> None:
        """One row up."""
        self._go(self.cursor - 1)

    def action_scroll_down(self) -> None:
        """One row down."""
        self._go(self.cursor + 1)

    def action_page_up(self) -> None:
        """One screen up."""
        self._go(self.cursor - max(1, self.scrollable_content_region.height - 1))

    def action_page_down(self) -> None:
        """One screen down."""
        self._go(self.cursor + max(1, self.scrollable_content_region.height - 1))

    def action_scroll_home(self) -> None:
        """The latest."""
        self._go(0)

    def action_scroll_end(self) -> None:
        """The oldest."""
        self._go(len(self.rows) - 1)

    def on_resize(self) -> None:
        """Another width; the cursor stays in view."""
        self.virtual_size = Size(self._width, len(self.rows))
        self._go(self.cursor)

    @property
    def _width(self) -> int:
        return 1 + 5 + 1 + 1 + 16 + 1 + _BOARD + 1 + _RESULT + 1 + _WHAT

    def _go(self, index: int) -> None:
        self.cursor = max(0, min(index, len(self.rows) - 1))
        x, width = self.scroll_offset.x, max(1, self.size.width)
        self.scroll_to_region(Region(x, self.cursor, width, 1), animate=False, force=True, immediate=True)
        count = len(self.rows)
        self.border_title = f"sessions, {min(self.cursor + 1, count)} of {count}"
        self.post_message(self.Highlighted(None if self.chosen is None else self.chosen.id))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """One row of the screen."""
        scroll_x, scroll_y = self.scroll_offset
        index = scroll_y + y
        width = self.scrollable_content_region.width
        base = self.rich_style
        if index >= len(self.rows):
            return Strip.blank(width, base)
        row = self.rows[index]
        good = row.outcome is Outcome.OK
        tone = base + self.get_component_rich_style(f"session--{'good' if good else 'bad'}", partial=True)
        faint = base + self.get_component_rich_style("session--faint", partial=True)
        if index == self.cursor:
            over = self.get_component_rich_style("session--cursor", partial=True)
            base, tone, faint = base + over, tone + over, faint + over
        sign = "›" if index == self.cursor else " "
        lead = f"{row.id:>5}{'~' if row.simulated else ' '} {when(row.started_ns)} "
        board = set_cell_size(row.board or NO_NAME, _BOARD)
        segments = [
            Segment(sign, base),
            Segment(lead, faint),
            Segment(board + " ", base),
            Segment(set_cell_size(result(row), _RESULT) + " ", tone),
            Segment(set_cell_size(what(row), _WHAT), base),
        ]
        strip = Strip(segments).adjust_cell_length(self._width, base).crop(scroll_x, scroll_x + width)
        return strip.adjust_cell_length(width, base)
