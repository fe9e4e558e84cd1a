"""The trace: every byte with time, direction, hex, safe text and meaning, in virtual rows of fixed width."""

from __future__ import annotations

from typing import ClassVar, Final

from rich.segment import Segment
from rich.style import Style
from textual.binding import BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.reactive import reactive
from textual.scroll_view import ScrollView
from textual.strip import Strip

from console.screens.actions import Scope, bindings
from console.session.exchange import ROW_BYTES, Trace, TraceFilter, TraceRow, TraceView
from console.text import column, hex_bytes
from protocols.family import Role

WAYS: Final = {"out": "out ▶", "in": "in  ◀", "line": "line!", "mark": "·····"}
_TIME: Final = 11
_WAY: Final = 5
_MEANING: Final = 90
_HEX: Final = 3 * ROW_BYTES - 1
_FULL_FROM: Final = 84  # columns from which the bytes stand as text too
_LONGEST_COPY: Final = 20_000


class TracePanel(ScrollView, can_focus=True):
    """A window on a trace of any length; only the rows on the screen are ever made."""

    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.TRACE)
    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "trace--out",
        "trace--in",
        "trace--line",
        "trace--mark",
        "trace--stray",
        "trace--faint",
        "trace--cursor",
    }
    HELP = (
        "Every byte that passed, oldest first: seconds since the beginning, out ▶ (sent by us) or in ◀ (received), the "
        "bytes in hex, the same bytes as text with a dot for whatever is not plain ASCII, and what they mean. "
        "line! is an error the port reported, ····· a mark of this program or of yours.\n\n"
        "Arrows and Page keys move; Left and Right shift a long row. At the End the view follows new rows; anywhere "
        "else it stays where you are. Copied rows also go into a file, because not every terminal has a clipboard."
    )
    cursor: reactive[int] = reactive(0, repaint=False)
    """The row the person is at, in the filtered view."""

    class Wanted(Message):
        """The person wants rows written: `clipboard` too, or only into a file."""

        def __init__(self, lines: list[str] | None, view: TraceView, start_ns: int) -> None:
            super().__init__()
            self.lines = lines
            self.view = view
            self.start_ns = start_ns

    def __init__(self, id: str) -> None:
        super().__init__(id=id, classes="panel")
        self.view = TraceView(Trace())
        self.range_from: int | None = None
        self.follows = True

    # ------------------------------------------------------------------ public

    def on_mount(self) -> None:
        """Name the panel."""
        self._say()

    def show(self, trace: Trace) -> None:
        """Follow this trace from now on."""
        if trace is not self.view.trace:
            self.view = TraceView(trace, self.view.filter)
            self.range_from = None
            self.follows = True
        self.refresh_rows()

    def refresh_rows(self) -> None:
        """Take in what the trace gained; scrolls only when the person is at the end."""
        before = len(self.view)
        at_end = self.follows and self.scroll_offset.y >= self.max_scroll_y
        self.view.refresh()
        if len(self.view) != before or self.virtual_size.height != len(self.view):
            self._resize()
            if self.follows:
                self.set_reactive(TracePanel.cursor, max(0, len(self.view) - 1))
                if at_end or before == 0:
                    self.scroll_to(y=self.max_scroll_y, animate=False, force=True, immediate=True)
        self._say()
        self.refresh()

    def set_filter(self, choice: TraceFilter) -> None:
        """Show only what `choice` admits; the person stays at the same moment."""
        row = self.view.trace_index(self.cursor) if self.cursor < len(self.view) else 0
        followed = self.follows
        self.view = TraceView(self.view.trace, choice)
        self.range_from = None
        self._resize()
        self._go(len(self.view) - 1 if followed else self.view.index_of(row))

    def row_text(self, row: TraceRow) -> str:
        """A whole row as one line of plain text, whatever the panel's width."""
        return _text(row, self.view.trace.start_ns or 0, full=True).rstrip()

    # ----------------------------------------------------------------- actions

    def action_filter(self) -> None:
        """The next filter."""
        choices = list(TraceFilter)
        self.set_filter(choices[(choices.index(self.view.filter) + 1) % len(choices)])

    def action_next_stage(self) -> None:
        """Where the next stage begins, from the first again after the last."""
        starts = [row for _, row in self.view.trace.stage_rows]
        if not starts or not len(self.view):
            return
        here = self.view.trace_index(min(self.cursor, len(self.view) - 1))
        self._go(self.view.index_of(next((row for row in starts if row > here), starts[0])))

    def action_mark(self) -> None:
        """Begin a range here, or drop it."""
        self.range_from = self.cursor if self.range_from is None else None
        self._say()
        self.refresh()

    def action_copy(self) -> None:
        """The row or the range, for the clipboard and a file."""
        if not len(self.view):
            return
        first, last = sorted((self.cursor, self.cursor if self.range_from is None else self.range_from))
        rows = range(first, min(last + 1, first + _LONGEST_COPY, len(self.view)))
        self.post_message(
            self.Wanted([self.row_text(self.view.row(at)) for at in rows], self.view, self.view.trace.start_ns or 0)
        )

    def action_save(self) -> None:
        """All rows of the filter, into a file."""
        self.post_message(self.Wanted(None, self.view, self.view.trace.start_ns or 0))

    def action_scroll_up(self) -> None:
        """One row up."""
        self._go(self.cursor - 1)

    def action_scroll_down(self) -> None:
        """One row down."""
        self._go(self.cursor + 1)

    def action_page_up(self) -> None:
        """One screen up."""
        self._go(self.cursor - self._page)

    def action_page_down(self) -> None:
        """One screen down."""
        self._go(self.cursor + self._page)

    def action_scroll_home(self) -> None:
        """The first row."""
        self._go(0)

    def action_scroll_end(self) -> None:
        """The last row; follows from there."""
        self._go(len(self.view) - 1)

    # ----------------------------------------------------------------- private

    @property
    def _page(self) -> int:
        return max(1, self.scrollable_content_region.height - 1)

    def _go(self, index: int) -> None:
        last = max(0, len(self.view) - 1)
        self.cursor = max(0, min(index, last))
        self.follows = self.cursor == last
        x, width = self.scroll_offset.x, max(1, self.size.width)
        self.scroll_to_region(Region(x, self.cursor, width, 1), animate=False, force=True, immediate=True)
        self._say()
        self.refresh()

    def on_mouse_scroll_up(self) -> None:
        """The wheel leaves the tail too."""
        self.follows = False

    def on_mouse_scroll_down(self) -> None:
        """Back at the bottom the tail is followed again."""
        if self.scroll_offset.y >= self.max_scroll_y - 1:
            self._go(len(self.view) - 1)

    def on_resize(self) -> None:
        """Another width makes other rows."""
        self._resize()
        if self.follows and len(self.view):
            self._go(len(self.view) - 1)

    def _resize(self) -> None:
        self.virtual_size = Size(_width(self._full), len(self.view))

    @property
    def _full(self) -> bool:
        return self.size.width >= _FULL_FROM

    def _say(self) -> None:
        where = "follows" if self.follows else "held here, End follows"
        if self.range_from is not None:
            where = f"range of {abs(self.cursor - self.range_from) + 1}, c copies"
        count = len(self.view)
        self.border_title = f"trace: {self.view.filter.value}, row {min(self.cursor + 1, count)} of {count}, {where}"

    def render_line(self, y: int) -> Strip:
        """One row of the screen."""
        scroll_x, scroll_y = self.scroll_offset
        index = scroll_y + y
        width = self.scrollable_content_region.width  # without the scroll bar
        base = self.rich_style
        if index >= len(self.view):
            return Strip.blank(width, base)
        row = self.view.row(index)
        kind = "stray" if row.role is Role.STRAY else row.kind
        style = base + self.get_component_rich_style(f"trace--{kind}", partial=True)
        faint = base + self.get_component_rich_style("trace--faint", partial=True)
        cursor = self.has_focus and index == self.cursor
        chosen = self.range_from is not None and min(self.range_from, self.cursor) <= index <= max(
            self.range_from, self.cursor
        )
        if cursor or chosen:
            base, style, faint = base + self._over, style + self._over, faint + self._over
        text = _text(row, self.view.trace.start_ns or 0, full=self._full)
        lead = _TIME + 1
        sign = "›" if cursor else "│" if chosen else " "
        segments = [Segment(sign, style), Segment(text[:lead], faint), Segment(text[lead:], style)]
        strip = Strip(segments).adjust_cell_length(_width(self._full), base).crop(scroll_x, scroll_x + width)
        if len(text) + 1 > scroll_x + width:  # more to the right
            strip = Strip([*strip.crop(0, width - 1), Segment("…", faint)])
        return strip.adjust_cell_length(width, base)

    @property
    def _over(self) -> Style:
        return self.get_component_rich_style("trace--cursor", partial=True)


def _width(full: bool) -> int:
    return 1 + _TIME + 1 + _WAY + 2 + _HEX + ((2 + ROW_BYTES) if full else 0) + 2 + _MEANING


def _text(row: TraceRow, start_ns: int, *, full: bool) -> str:
    time = f"{(row.t_ns - start_ns) / 1e9:{_TIME}.6f}"
    head = f"{time} {WAYS[row.kind]}  "
    if not row.data:
        return head + row.text
    repeats = not row.command or row.text.startswith(row.command)
    named = full or row.role is Role.COMMAND  # where there is little room a command is named where it begins
    meaning = f"{row.command}: {row.text}" if named and not repeats else row.text
    shown = f"{hex_bytes(row.data):<{_HEX}}"
    return f"{head}{shown}  {column(row.data):<{ROW_BYTES}}  {meaning}" if full else f"{head}{shown}  {meaning}"
