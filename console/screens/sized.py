"""Screens and questions need a least size; under it, they say so instead of showing a part of themselves."""

from __future__ import annotations

from typing import ClassVar, Final, TypeVar

from textual.content import Content
from textual.events import Resize
from textual.geometry import Size
from textual.screen import ModalScreen, Screen
from textual.widget import Widget
from textual.widgets import Static

from console.screens.text import line

LEAST: Final = Size(80, 24)
_CLASS: Final = "-too-small"
T = TypeVar("T")


class TooSmall(Static, can_focus=False):
    """What stands there instead of a screen that has no room."""

    HELP: ClassVar[str] = "The window is smaller than the screens need: enlarge it, or make its letters smaller."


class Sized(Screen[T]):
    """A screen that hides everything, and carries out none of its own keys, while the window is too small."""

    HELP: ClassVar[str] = TooSmall.HELP
    MEANWHILE: ClassVar[str] = "what runs goes on; q quits"
    """What a person may want to know under the notice."""
    _focus_before: Widget | None = None

    @property
    def too_small(self) -> bool:
        """Whether the screen hides itself now."""
        return self.has_class(_CLASS)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Nobody should start what cannot be seen; leaving and help belong to the app and go on working."""
        return not self.too_small

    def on_resize(self, event: Resize) -> None:
        """Hide or come back."""
        small = event.size.width < LEAST.width or event.size.height < LEAST.height
        if small:
            self._say(event.size)
        if small == self.too_small:
            return
        if small:
            self._focus_before = self.focused
            self.set_focus(None)
        self.set_class(small, _CLASS)
        if not small and self._focus_before is not None:
            self.set_focus(self._focus_before)

    def _say(self, size: Size) -> None:
        words = Content("\n").join(
            [
                line((f"▲ needs {LEAST.width} x {LEAST.height}, this is {size.width} x {size.height}", "bold")),
                Content("enlarge the window, or make its letters smaller"),
                line((self.MEANWHILE, "$secondary")),
            ]
        )
        for place in self.query(TooSmall):
            place.update(words)
            return
        self.mount(TooSmall(words, id="too-small", markup=False))


class SizedScreen(Sized[None]):
    """A whole screen."""

    HELP: ClassVar[str] = TooSmall.HELP


class SizedQuestion(Sized[T], ModalScreen[T]):
    """A question over a screen, which is not answered by somebody who cannot read it."""

    HELP: ClassVar[str] = TooSmall.HELP
    MEANWHILE: ClassVar[str] = "a question waits here; q quits"
