"""Help on the focused widget and the keys that work there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from console.screens.actions import ACTIONS, Scope
from console.screens.text import line


class HelpScreen(ModalScreen[None]):
    """HELP of what had the focus, then every action by place."""

    HELP: ClassVar[str] = "Arrows scroll, Escape closes."
    BINDINGS: ClassVar = [Binding("escape,f1,enter,q", "close", "close")]

    def __init__(self, title: str, text: str, places: Sequence[Scope] = tuple(Scope)) -> None:
        """`places`: whose keys to list, the nearest first."""
        super().__init__()
        self._places = places
        self._title = title
        self._words = text

    def compose(self) -> ComposeResult:
        """One scrolling text."""
        parts = [line((self._title, "bold $text-accent")), Content(self._words)]
        parts += [Content(""), line(("Esc closes this; arrows and Page keys scroll", "$secondary"))]
        for scope in self._places:
            rows = [action for action in ACTIONS if action.scope is scope]
            if rows:
                parts += [Content(""), line((scope.value, "bold $text-accent"))]
                parts += [line((f"{a.key:>6}", "bold"), f"  {a.words:<13} ", (a.help, "$secondary")) for a in rows]
        with VerticalScroll(id="help"):
            yield Static(Content("\n").join(parts), markup=False)

    def on_mount(self) -> None:
        """Scroll with the arrows at once."""
        self.query_one("#help").focus()

    def action_close(self) -> None:
        """Back."""
        self.dismiss(None)


def help_of(widget: object) -> tuple[str, str]:
    """Title and HELP of a widget, or of the nearest ancestor that has one."""
    at = widget
    while at is not None:
        words = getattr(at, "HELP", None)
        if isinstance(words, str) and words:
            name = getattr(at, "TITLE", "") or type(at).__name__.removesuffix("Panel").removesuffix("Screen").lower()
            return str(name), words
        at = getattr(at, "parent", None)
    return "wakeline", "Tab moves between the panels."


def places_of(widget: object) -> tuple[Scope, ...]:
    """Where the keys that work on this widget are declared, the nearest first."""
    out: list[Scope] = []
    at = widget
    while at is not None:
        for scope in Scope:
            methods = [f"action_{action.method}" for action in ACTIONS if action.scope is scope]
            if scope not in out and all(hasattr(at, method) for method in methods):
                out.append(scope)
        if not getattr(at, "story", True) and Scope.STORY in out:
            out.remove(Scope.STORY)
        at = getattr(at, "parent", None)
    return (*(scope for scope in out if scope is not Scope.EVERYWHERE), Scope.EVERYWHERE)
