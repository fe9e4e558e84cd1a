"""The app as a program: exit codes, and errors that end as words elsewhere, never as a traceback on the screen."""

from __future__ import annotations

from typing import Any

import pytest
from textual.app import App
from textual.color import Color

from console.screens.app import WakelineApp, run_app
from console.screens.theme import NIGHT


class Broken(Exception):
    """Stands for any mistake of ours."""


@pytest.fixture
def headless(monkeypatch: pytest.MonkeyPatch) -> None:
    """The app runs without a terminal."""
    monkeypatch.setattr(WakelineApp, "run_async", lambda self: App.run_async(self, headless=True, size=(80, 24)))


@pytest.mark.usefixtures("headless")
def test_a_mistake_of_ours_reaches_the_caller_and_never_the_screen(monkeypatch: pytest.MonkeyPatch, capfd: Any) -> None:
    def fails(self: WakelineApp) -> None:
        raise Broken

    monkeypatch.setattr(WakelineApp, "on_ready", fails, raising=False)
    with pytest.raises(Broken):
        run_app()
    out, err = capfd.readouterr()
    assert "Traceback" not in out + err
    assert "Broken" not in out + err


@pytest.mark.usefixtures("headless")
def test_leaving_the_list_of_ports_is_success(monkeypatch: pytest.MonkeyPatch) -> None:
    async def leaves(self: WakelineApp) -> None:
        await self.action_quit()

    monkeypatch.setattr(WakelineApp, "on_ready", leaves, raising=False)
    assert run_app() == 0


async def test_the_colours_are_those_of_our_own_theme() -> None:
    app = WakelineApp()
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert app.screen.styles.background == Color.parse(str(NIGHT.background))
