"""A window under 80 x 24 says so instead of showing a part of the screen, and everything comes back with its room."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from console.screens.app import WakelineApp
from console.screens.ask_screen import AskScreen
from console.screens.bench_screen import BenchScreen
from console.screens.sized import LEAST
from console.screens.trace_panel import TracePanel


async def test_the_list_of_ports_says_what_it_needs_and_comes_back(until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    async with app.run_test(size=(60, 20)) as pilot:
        await pilot.pause()
        words = screen_text(app)
        assert "needs 80 x 24, this is 60 x 20" in words
        assert "ports of this machine" not in words
        await pilot.press("p", "enter")  # nothing begins that cannot be seen
        assert len(app.screen_stack) == 1
        await pilot.resize_terminal(100, 23)
        await until(pilot, lambda: "this is 100 x 23" in screen_text(app))
        await pilot.resize_terminal(*LEAST)
        await until(pilot, lambda: "ports of this machine" in screen_text(app))
        assert "needs" not in screen_text(app)
        await pilot.resize_terminal(79, 24)
        await until(pilot, lambda: "this is 79 x 24" in screen_text(app))


async def test_the_bench_goes_on_unseen_and_comes_back_with_its_focus(
    make_rig: Callable[..., Any], until: Any, screen_text: Any
) -> None:
    app, rig = WakelineApp(), make_rig()
    rig.answers()
    async with app.run_test(size=(120, 36)) as pilot:
        app.go(rig.source)
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and rig.links)
        await pilot.press("h")
        await until(pilot, lambda: "awake and identified" in screen_text(app))
        assert isinstance(app.focused, TracePanel)
        rows = len(rig.source.bridge.fold.trace)
        await pilot.resize_terminal(60, 20)
        await until(pilot, lambda: "needs 80 x 24, this is 60 x 20" in screen_text(app))
        await pilot.press("h")
        await pilot.pause()
        assert len(rig.source.bridge.fold.trace) == rows
        await rig.source.handshake()  # what runs goes on
        await pilot.resize_terminal(120, 36)
        await until(pilot, lambda: "awake and identified" in screen_text(app))
        assert isinstance(app.focused, TracePanel)
        assert len(rig.source.bridge.fold.trace) > rows
        assert "Read Memory" in screen_text(app)


@pytest.mark.parametrize("key", ["escape", "f2", "f8", "o"])
async def test_nothing_unseen_changes_where_one_is(
    key: str, make_rig: Callable[..., Any], until: Any, screen_text: Any
) -> None:
    app, rig = WakelineApp(), make_rig()
    async with app.run_test(size=(120, 36)) as pilot:
        app.go(rig.source)
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and rig.links)
        await pilot.resize_terminal(60, 20)
        await until(pilot, lambda: "needs 80 x 24" in screen_text(app))
        await pilot.press(key)
        await pilot.pause()
        assert isinstance(app.screen, BenchScreen)
        assert len(app.screen_stack) == 2
        await pilot.resize_terminal(120, 36)
        await until(pilot, lambda: "needs 80 x 24" not in screen_text(app))
        await pilot.press("escape")
        await until(pilot, lambda: len(app.screen_stack) == 1)


async def test_quitting_still_asks_while_something_runs(
    make_rig: Callable[..., Any], until: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    app, rig = WakelineApp(), make_rig()
    async with app.run_test(size=(60, 20)) as pilot:
        app.go(rig.source)
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and rig.links)
        monkeypatch.setattr(type(rig.source), "busy", property(lambda self: True))
        await pilot.press("q")
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        await pilot.press("escape")


async def test_panels_painted_while_hidden_are_whole_afterwards(rig: Any, until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    app.source, app.tells_exit = rig.source, True
    async with app.run_test(size=(60, 20)) as pilot:
        await until(pilot, lambda: rig.source.session is not None)
        await pilot.resize_terminal(90, 30)
        await until(pilot, lambda: "GND ┄" in screen_text(app))
        assert "VCC ┄" in screen_text(app)
        await pilot.press("q")
