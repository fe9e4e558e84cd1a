"""The trace panel: a window on a trace of any length that moves only when the person wants it to."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import pytest
from textual.app import App, ComposeResult

from console.events import Chunk, Event, Mark, MarkKind
from console.screens.app import WakelineApp
from console.screens.bench_screen import BenchScreen
from console.screens.trace_panel import TracePanel
from console.session.exchange import TraceFilter
from console.snapshot import Fold

BASE = 1_700_000_000_000_000_000


class Alone(App[None]):
    def __init__(self, fold: Fold) -> None:
        super().__init__()
        self.fold = fold
        self.wanted: list[TracePanel.Wanted] = []

    def compose(self) -> ComposeResult:
        yield TracePanel("trace")

    def on_mount(self) -> None:
        self.panel.show(self.fold.trace)
        self.panel.focus()

    def on_trace_panel_wanted(self, message: TracePanel.Wanted) -> None:
        self.wanted.append(message)

    @property
    def panel(self) -> TracePanel:
        return self.query_one(TracePanel)


def garbage(fold: Fold, count: int, start: int = 0) -> None:
    """Rows that cannot join: each chunk is a full row of bytes that mean nothing."""
    for number in range(start, start + count):
        fold.add(Chunk(BASE + number * 1_000_000, "in", bytes([0x40 + number % 32]) * 16))


@pytest.fixture
def fold() -> Fold:
    made = Fold()
    garbage(made, 200)
    return made


async def test_it_follows_only_at_the_end(fold: Fold) -> None:
    app = Alone(fold)
    async with app.run_test(size=(80, 12)) as pilot:
        await pilot.pause()
        panel = app.panel
        assert panel.scroll_offset.y == panel.max_scroll_y > 0
        garbage(fold, 50, 200)
        panel.refresh_rows()
        assert panel.cursor == len(panel.view) - 1
        assert panel.scroll_offset.y == panel.max_scroll_y
        await pilot.press("pageup")
        at, top = panel.cursor, panel.scroll_offset.y
        garbage(fold, 50, 250)
        panel.refresh_rows()
        await pilot.pause()
        assert (panel.cursor, panel.scroll_offset.y) == (at, top)
        await pilot.press("end")
        garbage(fold, 5, 300)
        panel.refresh_rows()
        assert panel.cursor == len(panel.view) - 1
        await pilot.press("home")
        assert (panel.cursor, panel.scroll_offset.y) == (0, 0)
        await pilot.press("down", "down", "up")
        assert panel.cursor == 1


async def test_a_shorter_trace_than_the_panel_and_an_empty_one() -> None:
    fold = Fold()
    app = Alone(fold)
    async with app.run_test(size=(80, 12)) as pilot:
        await pilot.press("end", "pageup", "up", "down", "c", "g", "f", "v", "home")
        assert not app.wanted
        garbage(fold, 3)
        app.panel.set_filter(TraceFilter.ALL)
        app.panel.show(fold.trace)
        assert len(app.panel.view) == len(fold.trace)
        await pilot.press("end", "down", "down")
        assert app.panel.cursor == len(fold.trace) - 1


async def test_every_line_has_the_panels_width(fold: Fold, story: list[Event]) -> None:
    for event in story:
        fold.add(event)
    for size in ((40, 12), (80, 24), (120, 36), (200, 50)):
        app = Alone(fold)
        async with app.run_test(size=size) as pilot:
            await pilot.press("right", "right", "up")
            panel = app.panel
            assert {panel.render_line(y).cell_length for y in range(panel.size.height)} == {
                panel.scrollable_content_region.width
            }


async def test_filters_show_what_they_say_and_keep_the_moment(story: list[Event]) -> None:
    fold = Fold()
    for event in story:
        fold.add(event)
    app = Alone(fold)
    async with app.run_test(size=(120, 36)) as pilot:
        panel = app.panel
        seen = {}
        for choice in list(TraceFilter)[1:]:
            await pilot.press("f")
            assert panel.view.filter is choice
            seen[choice] = [panel.view.row(at).kind for at in range(len(panel.view))]
            assert choice.value in str(panel.border_title)
        assert set(seen[TraceFilter.OUT]) == {"out"}
        assert set(seen[TraceFilter.IN]) == {"in"}
        assert set(seen[TraceFilter.MARKS]) == {"mark"}
        await pilot.press("f", "home", "f")
        moment = panel.view.row(panel.cursor)
        assert moment.kind == "out"
        assert moment.data == b"\x7f"  # the first byte sent, next to where the person was


async def test_jumps_from_stage_to_stage_and_round(story: list[Event]) -> None:
    fold = Fold()
    for event in story:
        fold.add(event)
    app = Alone(fold)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.press("home")
        words = []
        for _ in range(4):
            await pilot.press("g")
            words.append(app.panel.view.row(app.panel.cursor).text)
        assert words == ["stage sync begins", "stage sync begins", "stage identify begins", "stage sync begins"]


async def test_a_marked_range_is_copied_whole(fold: Fold) -> None:
    app = Alone(fold)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("home", "v", "down", "down", "c", "v", "c")
        await pilot.pause()
        assert [len(one.lines or ()) for one in app.wanted] == [3, 1]
        assert app.wanted[0].lines is not None
        assert "40 40 40 40 40 40 40 40  @@@@@@@@" in app.wanted[0].lines[0]


async def test_copy_reaches_clipboard_and_file_and_says_where(rig: Any, until: Any, capsys: Any) -> None:
    app = WakelineApp()
    app.source = rig.source
    said: list[str] = []
    async with app.run_test(size=(80, 24), notifications=True) as pilot:
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and app.screen.snapshot.port)
        await until(pilot, lambda: len(app.screen.query_one(TracePanel).view))
        await pilot.press("home", "c")
        await until(pilot, lambda: list(Path.cwd().glob("*rows*.txt")) and len(app._notifications))
        said = [note.message for note in app._notifications]
        (path,) = Path.cwd().glob("*rows*.txt")
        assert str(path) in said[0]
        assert app.clipboard == path.read_text(encoding="utf-8")
        assert "port /dev/fake0" in app.clipboard
        # OSC 52 carries base64 of the text (xterm control sequences, "Manipulate Selection Data")
        assert base64.b64encode(app.clipboard.encode())


async def test_two_saves_in_one_second_do_not_meet(rig: Any, until: Any) -> None:
    app = WakelineApp()
    app.source = rig.source
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and app.screen.snapshot.port)
        for count in (1, 2, 3):
            await pilot.press("s")
            await until(pilot, lambda count=count: len(list(Path.cwd().glob("*rows*.txt"))) == count)


async def test_no_place_to_write_is_told(rig: Any, until: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from console.screens import bench_screen

    monkeypatch.setattr(bench_screen, "fresh_path", lambda *_: tmp_path / "gone" / "x.txt")
    app = WakelineApp()
    app.source = rig.source
    async with app.run_test(size=(80, 24), notifications=True) as pilot:
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and app.screen.snapshot.port)
        await pilot.press("t")
        await until(pilot, lambda: len(app._notifications))
        (note,) = app._notifications
        assert note.severity == "error"
        assert "next:" in note.message


def test_a_mark_of_unknown_length_is_one_row() -> None:
    fold = Fold()
    fold.add(Mark(BASE, MarkKind.NOTE, {"text": "x" * 500}))
    assert len(fold.trace) == 1
