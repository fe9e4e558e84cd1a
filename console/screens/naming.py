"""Naming the board on the bench, so that the notebook knows whose session this is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from console.errors import UsageTrouble
from console.screens.ask_screen import WordsScreen
from console.text import clean

if TYPE_CHECKING:
    from console.screens.live_screen import LiveScreen
    from console.screens.source import LiveSource


def ask_board(screen: LiveScreen, source: LiveSource) -> None:
    """Ask for the board's name; the session goes into the notebook under it when it is closed."""
    keeper = source.keeper
    if keeper is None or (source.bridge.fold.snapshot().simulated and not keeper.named):
        from console.notebook.keeper import ONLY_NAMED

        screen.tell(ONLY_NAMED)
        return

    def answered(name: str | None) -> None:
        from console.notebook.entry import board_name

        if name is None:
            return
        try:
            keeper.board = board_name(name)
        except UsageTrouble as error:
            screen.trouble(error)
            return
        source.bridge.stir()
        screen.tell(f"this session will be kept as one of {keeper.board} in {clean(str(keeper.path))}")

    note = f"kept in {clean(str(keeper.path))} when the session is closed"
    question = WordsScreen("which board is this?", "as tern-07", value=keeper.board, note=note, yes="name it")
    screen.app.push_screen(question, answered)
