"""Choosing a test of the line and what it asks of hands. Knows no bytes: the session runs the tests."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from textual.app import App

from console.causes.catalogue import catalogue
from console.screens.ask_screen import AskScreen, ChooseScreen
from console.screens.source import LiveSource
from console.session.line_tests import BEFORE, CHECKS, ECHO, NO_HANDS, TESTS

Step = Callable[[], Awaitable[object]]


def choose(app: App[Any], source: LiveSource, command: Callable[[Step], object]) -> None:
    """Ask which test, then `prepare` it."""
    names = list(TESTS)

    def answered(number: int | None) -> None:
        if number is not None:
            prepare(app, source, names[number], command)

    app.push_screen(ChooseScreen("which test shall the console do?", None, list(TESTS.items()), "do it"), answered)


def prepare(app: App[Any], source: LiveSource, name: str, command: Callable[[Step], object]) -> None:
    """Ask for what hands must do before the test `name`, at once where that is nothing, then hand it to `command`."""

    async def ask(words: str) -> bool:
        return await app.push_screen_wait(AskScreen(f"{words}. done?", None, "it is reset, go on", "stop the tries"))

    def answered(yes: bool | None) -> None:
        if yes:
            command(lambda: source.line_test(name, ask))

    if name in NO_HANDS:
        answered(True)
    else:
        app.push_screen(AskScreen(f"{BEFORE[name]}. done?", _caution(name), "it is done, send", "not now"), answered)


def _caution(name: str) -> str | None:
    check = next((check for check, test in CHECKS.items() if test == name), None)
    if name == ECHO or check is None:
        return None
    return catalogue().checks[check].caution
