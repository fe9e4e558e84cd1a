"""The notebook on the screens: browse, search, read, note a fix; naming the board on the bench."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

import pytest
from textual.widgets import Input

from console.errors import Outcome
from console.events import Mark, MarkKind
from console.notebook.entry import BY_TOOL, Fix
from console.notebook.keeper import Keeper
from console.notebook.place import default_path
from console.notebook.store import Notebook
from console.screens.app import WakelineApp
from console.screens.ask_screen import AskScreen, WordsScreen
from console.screens.bench_screen import BenchScreen
from console.screens.fix_screen import FixScreen
from console.screens.notebook_screen import NotebookPage, NotebookScreen
from console.screens.ports_screen import PortsScreen
from console.screens.session_list import SessionList
from tests.console.notebook.conftest import entry
from tests.console.screens.conftest import SIZES

BAD, GOOD = Outcome.NO_ANSWER, Outcome.OK


@pytest.fixture
def book() -> Path:
    """The user's own notebook with a few sessions; the latest failed and waits for its fix."""
    path = default_path()
    with Notebook.open(path) as notebook:
        notebook.store(entry("tern-01", day=0))
        fix = Fix("wires-uncrossed", by=BY_TOOL)
        notebook.store(entry("tern-02", day=1, first=BAD, last=GOOD, fix=fix))
        for n in range(3, 40):
            notebook.store(entry(f"tern-{n:02}", day=n))
        notebook.store(entry("tern-40", day=40, first=BAD))
    return path


def notebook_of(app: WakelineApp) -> NotebookScreen:
    assert isinstance(app.screen, NotebookScreen)
    return app.screen


async def open_notebook(app: WakelineApp, pilot: Any, until: Any) -> NotebookScreen:
    await pilot.pause()
    await pilot.press("f8")
    await until(pilot, lambda: isinstance(app.screen, NotebookScreen) and app.screen.ready)
    screen = notebook_of(app)
    await until(pilot, lambda: screen.shown is not None or not screen.query_one(SessionList).rows)
    return screen


async def test_browse_and_read_at_every_size(book: Path, until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    async with app.run_test(size=SIZES[-1]) as pilot:
        screen = await open_notebook(app, pilot, until)
        wanted = ("40 boards", "first pass 38 of 40", "tern-40", "✗ no-answer at sync", "session 40", "f search")
        for size in reversed(SIZES):
            await pilot.resize_terminal(*size)
            words = screen_text(app)
            assert [said for said in wanted if said not in words] == []
        listing = screen.query_one(SessionList)
        for key, at in (("up", 0), ("end", 39), ("down", 39)):  # the highlight never leaves the list
            await pilot.press(key)
            assert listing.cursor == at
        await pilot.press("pageup")
        assert 0 < listing.cursor < 39
        await pilot.press("home", "down")
        await until(pilot, lambda: screen.shown == 39)
        assert "session 39: ✓ passed at once" in screen_text(app)
        await pilot.press("end", "up", "enter")
        await until(pilot, lambda: screen.shown == 2)
        assert isinstance(app.focused, NotebookPage)
        await pilot.press("pagedown")
        await pilot.pause()
        assert "TX and RX are not crossed" in screen_text(app)
        await pilot.press("escape")
        assert isinstance(app.focused, SessionList)
        await pilot.press("n")
        assert isinstance(app.focused, NotebookPage)
        await pilot.press("n", "escape")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen))


async def test_search_narrows_as_one_types(book: Path, until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_notebook(app, pilot, until)
        listing = screen.query_one(SessionList)
        await pilot.press("f", "U")
        box = screen.query_one("#search", Input)
        box.insert_text_at_cursor("nc")
        await until(pilot, lambda: [row.id for row in listing.rows] == [40, 2])
        box.insert_text_at_cursor(" ok")
        await until(pilot, lambda: [row.id for row in listing.rows] == [2] and screen.shown == 2)
        assert "q quit" not in screen_text(app)
        await pilot.press("q")  # a letter of the search, not the end of the program
        await until(pilot, lambda: not listing.rows)
        assert "no session fits" in screen_text(app)
        await pilot.press("backspace", "enter")
        await until(pilot, lambda: len(listing.rows) == 1)
        assert app.focused is listing


async def test_noting_a_fix(book: Path, until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    async with app.run_test(size=(80, 24)) as pilot:
        screen = await open_notebook(app, pilot, until)
        await pilot.press("a")
        await until(pilot, lambda: isinstance(app.screen, FixScreen))
        words = screen_text(app)
        assert "what fixed tern-40 (session 40)?" in words
        assert "Enter note it" in words
        await pilot.press("end", "enter")  # not known: then at least a note
        assert app.focused is app.screen.query_one("#fix-note", Input)
        await pilot.press("shift+tab", "1", "enter")  # a joint without its part
        assert app.focused is app.screen.query_one("#fix-part", Input)
        await pilot.press("escape")
        assert app.screen is screen
        with Notebook.open_to_read(book) as notebook:
            assert notebook.session(40).fixes == ()  # one that is left notes nothing
        await pilot.press("a")
        await until(pilot, lambda: isinstance(app.screen, FixScreen))
        await pilot.press("down", "tab", "U")
        for field, words in (("part", "U4"), ("joint", "7"), ("note", "P")):
            app.screen.query_one(f"#fix-{field}", Input).value = words
        await pilot.press("enter")
        await until(pilot, lambda: app.screen is screen and screen.query_one(SessionList).rows[0].fix_place)
        await until(pilot, lambda: screen.shown == 40)
        assert "U4 joint 7" in screen_text(app)
        await pilot.press("down", "a")  # that one passed
        assert app.screen is screen
    with Notebook.open_to_read(book) as notebook:
        (one,) = notebook.session(40).fixes
    assert (one.fix.cause, one.fix.part, one.fix.joint, one.fix.note) == ("no-common-ground", "U4", "7", "P")


async def test_without_a_notebook_the_screen_says_how_one_begins(until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    async with app.run_test(size=SIZES[-1]) as pilot:
        await open_notebook(app, pilot, until)
        for size in SIZES:
            await pilot.resize_terminal(*size)
            words = " ".join(screen_text(app).split())
            assert "Nothing is noted yet" in words
            assert "--board tern-07" in words
        await pilot.press("a", "f", "x", "escape", "n", "escape", "escape")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen))
    assert not default_path().exists()


async def test_a_strange_notebook_reaches_no_markup_and_no_control_and_a_damaged_page_is_told(
    book: Path, until: Any, screen_text: Any
) -> None:
    db = sqlite3.connect(book)
    with db:
        db.execute("UPDATE board SET name = '[/red]\x1b[2J' WHERE name = 'tern-40'")
        db.execute("UPDATE stage SET elapsed_s = 'long' WHERE session_id = 1")
        db.execute("UPDATE fix SET note = '[bold]x[/AA]'")
        db.execute("UPDATE session SET words = 'x' WHERE id IN (2, 40)")
    db.close()
    app = WakelineApp()
    async with app.run_test(size=(120, 36)) as pilot:
        screen = await open_notebook(app, pilot, until)
        assert r"[/red]\x1b" in screen_text(app)
        await pilot.press("a")
        await until(pilot, lambda: isinstance(app.screen, FixScreen))
        assert r"[/red]\x1b[2J" in screen_text(app)
        await pilot.press("escape", "end", "up")
        await until(pilot, lambda: screen.shown == 2)
        assert "[bold]x[/AA]" in screen_text(app)
        await pilot.press("down")
        await until(pilot, lambda: "notebook-damaged" in screen_text(app))
        await pilot.press("up")
        await until(pilot, lambda: "[bold]x[/AA]" in screen_text(app))  # the rest stays


async def test_a_board_named_on_the_bench_is_kept_when_the_bench_is_closed(
    rig: Any, until: Any, screen_text: Any
) -> None:
    rig.source.keeper = Keeper()
    app = WakelineApp()
    app.source = rig.source
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: rig.source.session)
        await pilot.press("i")
        await until(pilot, lambda: isinstance(app.screen, WordsScreen))
        await pilot.press("7", "enter")  # digits alone are the number of a session
        await until(pilot, lambda: isinstance(app.screen, BenchScreen))
        assert rig.source.board == ""
        await pilot.press("i")
        await until(pilot, lambda: isinstance(app.screen, WordsScreen))
        app.screen.query_one(Input).value = "tern-07"
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen))
        assert rig.source.board == "tern-07"
        await until(pilot, lambda: "board tern-07" in screen_text(app).splitlines()[0])
        rig.answers()
        await pilot.press("h")
        await until(pilot, lambda: app.screen.snapshot.outcome is GOOD)  # type: ignore[attr-defined]
        app.go(None)
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen) and rig.source.kept is not None)
    with Notebook.open_to_read(default_path()) as notebook:
        assert [(row.board, row.outcome) for row in notebook.sessions()] == [("tern-07", GOOD)]
    assert app.last_words == []  # told on the screen already


async def test_leaving_from_the_bench_keeps_the_session_and_says_so_after(rig: Any, until: Any, tmp_path: Path) -> None:
    rig.source.keeper = Keeper(tmp_path / "club.sqlite", board="tern-08")
    app = WakelineApp()
    app.source = rig.source
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: rig.source.session)
        await pilot.press("h")
        await until(pilot, lambda: app.screen.snapshot.outcome is BAD)  # type: ignore[attr-defined]
        rig.source.bridge.fold.add(Mark(0, MarkKind.SETTINGS, {"simulated": True}))
        rig.source.keeper.named = False
        await pilot.press("i")
        await pilot.pause()
        assert isinstance(app.screen, BenchScreen)  # the own notebook takes no simulated board: it needs no name
        rig.source.keeper.named = True
        app.leave()
    assert "kept as session 1" in app.last_words[0]


async def test_a_failure_on_the_bench_brings_back_what_fixed_its_sisters(rig: Any, until: Any) -> None:
    with Notebook.open(default_path()) as notebook:
        notebook.add_fix(notebook.store(entry("tern-01", first=BAD)), Fix("board-rx-open", "U4"), 0)
        notebook.store(entry("tern-01", day=1))
    rig.source.keeper = Keeper()
    app = WakelineApp()
    app.source = rig.source
    async with app.run_test(size=(120, 36)) as pilot:
        await until(pilot, lambda: rig.source.session)
        said = "1 of 1 board that stopped at sync with the same reading was fixed at U4"
        fold = rig.source.bridge.fold
        await pilot.press("h")
        await until(pilot, lambda: any(said in one.message for one in app._notifications))
        await pilot.press("h")
        await until(pilot, lambda: fold.snapshot().attempt == 2 and not rig.source.busy)
        assert fold.snapshot().notes.count(said) == 1  # once is enough; the note also reaches capture and transcript


async def test_a_notebook_that_cannot_be_used_is_told_and_the_bench_goes_on(
    rig: Any, until: Any, screen_text: Any
) -> None:
    default_path().parent.mkdir(parents=True)
    default_path().write_text("shopping list")
    app = WakelineApp()
    app.source = rig.source
    async with app.run_test(size=(80, 24), notifications=True) as pilot:
        await until(pilot, lambda: rig.source.session)
        rig.source.keeper = app.keeper()
        await until(pilot, lambda: any("notebook-foreign" in one.title for one in app._notifications))
        rig.answers()
        await pilot.press("h")
        await until(pilot, lambda: app.screen.snapshot.outcome is GOOD)  # type: ignore[attr-defined]
        app.go(None)
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen) and rig.source.kept is not None)
        await until(pilot, lambda: any("notebook-foreign" in one.title for one in app._notifications))
        await open_notebook(app, pilot, until)
        assert "notebook-foreign" in screen_text(app)
    assert default_path().read_text() == "shopping list"
    app.notebook = default_path()
    assert app.keeper() is None  # a named one that cannot be used: the session goes on without
