"""The notebook: the list of sessions, a search over it, and the page of the highlighted one."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, TypeVar, cast

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, VerticalScroll
from textual.events import DescendantFocus, Resize
from textual.widgets import Input, Static

from console.errors import InputTrouble, Outcome
from console.notebook.entry import Fix
from console.notebook.history import Case, Detail, SessionRow
from console.notebook.place import default_path, is_begun
from console.notebook.statistics import first_pass, similar
from console.notebook.store import Notebook
from console.notebook.words import NO_NAME, detail_lines
from console.screens.actions import BY_ID, Scope, bindings, key_line, of_scopes
from console.screens.advice import here
from console.screens.panel import put
from console.screens.session_list import SessionList
from console.screens.sized import SizedScreen
from console.screens.text import line
from console.shares import share_words
from console.text import clean
from console.words import count_of

if TYPE_CHECKING:
    from textual.content import Content

    from console.screens.navigation import Navigator

T = TypeVar("T")
EMPTY = (
    "Nothing is noted yet.",
    "",
    "It begins with the first board that has a name: wakeline handshake PORT --board tern-07, or i on the bench. What "
    "fixed a board, with part and joint, you note here with a. From then on wakeline ranks by what your own boards "
    "suffer from, and says how many boards that stopped like this one were fixed where.",
)


class NotebookPage(VerticalScroll, can_focus=True):
    """One session as a page of text."""

    HELP: ClassVar[str] = (
        "Everything about the highlighted session: board, stages of each attempt, what was seen, what you did, "
        "what fixed it, and boards that failed like it. Arrows and Page keys scroll."
    )

    def __init__(self, id: str) -> None:
        super().__init__(id=id, classes="panel")
        self._text = Static("", markup=False)

    def compose(self) -> ComposeResult:
        """One text."""
        yield self._text

    def on_mount(self) -> None:
        """Name the page."""
        self.border_title = "page"

    def show(self, lines: Sequence[str]) -> None:
        """Show these lines from the top."""
        put(self._text, line("\n".join(lines)))
        self.scroll_home(animate=False)


class NotebookScreen(SizedScreen):
    """Browse and search what the bench remembers; note what fixed a board."""

    HELP: ClassVar[str] = (
        "What the bench remembers: sessions above or at the left, the page of the highlighted one beside it. "
        "f searches, a notes what fixed a board, Escape goes back to where you were."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.NOTEBOOK)
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (150, "-wide")]  # noqa: RUF012
    AUTO_FOCUS = "#sessions"

    def __init__(self, path: Path | None = None) -> None:
        """`path`: another notebook than the user's own."""
        super().__init__()
        self.path = path or default_path()
        self.shown: int | None = None
        self.ready = False
        self._notebook: Notebook | None = None
        self._cases: list[Case] = []
        self._wanted: int | None = None

    # -------------------------------------------------------------- appearance

    def compose(self) -> ComposeResult:
        """Headline, search, list and page, keys."""
        yield Static("", id="headline", markup=False)
        search = Input(
            placeholder="search: board, cause, part, note, outcome, chip, date as 2026-03", id="search", compact=True
        )
        search.cursor_blink = False
        yield search
        with Container(id="pages"):
            yield SessionList("sessions")
            yield NotebookPage("page")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Open the notebook."""
        put(self.query_one("#headline", Static), self._headline("opening"))
        self._open()

    async def on_unmount(self) -> None:
        """Let go of the file."""
        notebook, self._notebook = self._notebook, None
        if notebook is not None:
            await asyncio.to_thread(notebook.close)

    def on_resize(self, event: Resize) -> None:
        """As many keys as fit."""
        self._keys()

    def on_descendant_focus(self, event: DescendantFocus) -> None:
        """The key line follows the focus."""
        self._keys()

    def stepped_back(self) -> bool:
        """Out of the search or the page to the list; False when already there."""
        listing = self.query_one(SessionList)
        if self.focused in (None, listing):
            return False
        listing.focus()
        return True

    def _headline(self, words: str) -> Content:
        return line(("wakeline ", "bold $text-primary"), "notebook", (f"  {words}", "$secondary"))

    def _keys(self) -> None:
        first = (*of_scopes(Scope.NOTEBOOK), *(BY_ID[name] for name in ("back", "help", "palette", "quit")))
        more = tuple(a for a in of_scopes(Scope.EVERYWHERE) if a not in first and a.id != "notebook")
        typing = isinstance(self.focused, Input)  # then a letter is a letter
        shown = tuple(action for action in (*first, *more) if not typing or len(action.keys[0]) > 1)
        self.query_one("#keys", Static).update(key_line(shown, max(10, self.size.width - 2)))

    # ---------------------------------------------------------------- reading

    @work(exclusive=True, group="open")
    async def _open(self) -> None:
        page = self.query_one(NotebookPage)
        if not is_begun(self.path):
            put(self.query_one("#headline", Static), self._headline(f"none yet at {clean(str(self.path))}"))
            page.show(EMPTY)
            self.ready = True
            return
        try:
            self._notebook = await asyncio.to_thread(Notebook.open_to_read, self.path)
        except InputTrouble as error:
            put(self.query_one("#headline", Static), self._headline("cannot be opened"))
            page.show([here(told) for told in error.lines()])
            self.ready = True
            return
        await self._fill()
        self.ready = True

    async def _fill(self) -> None:
        """Everything anew: the file may have changed."""
        search = self.query_one("#search", Input).value
        found = await self._ask(lambda book: (book.sessions(search), book.board_runs(), book.cases()))
        if found is None:
            return
        rows, runs, self._cases = found
        boards = count_of(len(runs), "board")
        words = f"{boards}, first pass {share_words(first_pass(runs))}" if runs else "no named board yet"
        put(self.query_one("#headline", Static), self._headline(words))
        self._show(rows)

    @work(exclusive=True, group="search")
    async def _search(self, words: str) -> None:
        rows = await self._ask(lambda book: book.sessions(words))
        if rows is not None:
            self._show(rows)

    @work(exclusive=True, group="page")
    async def _page(self) -> None:
        while (number := self._wanted) is not None and number != self.shown:
            found = await self._ask(partial(Notebook.session, number=number))
            if found is None:
                self.shown = None  # the page holds words about the trouble now
                return
            self.query_one(NotebookPage).show(self._lines(found))
            self.shown = number

    async def _ask(self, question: Callable[[Notebook], T]) -> T | None:
        """Put a question to the notebook off the screen's thread; trouble is shown on the page."""
        if self._notebook is None:
            return None
        try:
            return await asyncio.to_thread(question, self._notebook)
        except InputTrouble as error:
            self.query_one(NotebookPage).show([here(told) for told in error.lines()])
            return None

    def _show(self, rows: Sequence[SessionRow]) -> None:
        self.query_one(SessionList).show(rows)
        if not rows:
            self.shown = None
            self.query_one(NotebookPage).show(["no session fits; Escape, then f, to search for something else"])

    def _lines(self, found: Detail) -> list[str]:
        like = None
        if found.failed_attempt:
            like = similar(found.row.stopped_at, found.codes, self._cases, without=found.row.id, design=found.built)
        return detail_lines(found, like)

    # ---------------------------------------------------------------- messages

    def on_session_list_highlighted(self, message: SessionList.Highlighted) -> None:
        """Turn to its page."""
        self._wanted = message.session
        self._page()

    def on_session_list_opened(self) -> None:
        """Read it."""
        self.query_one(NotebookPage).focus()

    def on_input_changed(self, event: Input.Changed) -> None:
        """Narrow the list as one types."""
        self._search(event.value)

    def on_input_submitted(self) -> None:
        """Back to the list."""
        self.query_one(SessionList).focus()

    # ----------------------------------------------------------------- actions

    def action_search(self) -> None:
        """Type."""
        self.query_one("#search", Input).focus()

    def action_other_pane(self) -> None:
        """From the list to the page, or back."""
        listing, page = self.query_one(SessionList), self.query_one(NotebookPage)
        (listing if self.focused is page else page).focus()

    def action_fix(self) -> None:
        """Ask what fixed the highlighted one."""
        row = self.query_one(SessionList).chosen
        if row is None:
            self.notify("no session is highlighted", markup=False)
            return
        if row.first_outcome is Outcome.OK:
            self.notify("this session passed at once: there is nothing to fix", markup=False)
            return
        from console.screens.fix_screen import FixScreen

        def answered(fix: Fix | None) -> None:
            if fix is not None:
                self._note(row.id, fix)

        name = row.board or NO_NAME
        self.app.push_screen(FixScreen(f"what fixed {name} (session {row.id})?", [row.suspect]), answered)

    @work(group="note")
    async def _note(self, session: int, fix: Fix) -> None:
        def write() -> None:
            with Notebook.open(self.path) as notebook:
                notebook.add_fix(session, fix, time.time_ns())

        try:
            await asyncio.to_thread(write)
        except InputTrouble as error:
            cast("Navigator", self.app).tell_trouble(error)
            return
        self.shown = None
        await self._fill()
