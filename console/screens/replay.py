"""The line that controls a capture: where it is, how fast, held or not."""

from __future__ import annotations

from typing import ClassVar, Final

from textual.content import Content
from textual.widgets import Static

from console.screens.capture_source import CaptureSource
from console.screens.panel import put
from console.screens.text import line
from console.words import count_of

FASTEST: Final = 64.0
SLOWEST: Final = 0.125


class ReplayLine(Static, can_focus=False):
    """Progress and speed of a capture; the keys are Space, full stop, + and -."""

    HELP: ClassVar[str] = "Space holds the capture, a full stop lets one event pass, + and - change its speed."

    def __init__(self, source: CaptureSource, id: str) -> None:
        super().__init__("", id=id, markup=False)
        self._source = source

    def on_mount(self) -> None:
        """Show where it is before the first event."""
        self.tell()

    def pause(self) -> None:
        """Hold, or go on."""
        pacer = self._source.pacer
        if pacer.paused:
            pacer.resume()
        else:
            pacer.pause()
        self.tell()

    def step(self) -> None:
        """Hold and let one event pass."""
        self._source.pacer.pause()
        self._source.pacer.step()
        self.tell()

    def faster(self) -> None:
        """Twice as fast; above 64 everything at once."""
        speed = self._source.pacer.speed
        self._source.pacer.set_speed(None if speed is None or speed * 2 > FASTEST else speed * 2)
        self.tell()

    def slower(self) -> None:
        """Half as fast."""
        speed = self._source.pacer.speed
        self._source.pacer.set_speed(FASTEST if speed is None else max(SLOWEST, speed / 2))
        self.tell()

    def tell(self) -> None:
        """Repaint."""
        put(self, self.words())

    def words(self) -> Content:
        """The line as it stands."""
        source = self._source
        room = 24
        full = round(source.capture.progress * room)
        speed = "at once" if source.pacer.speed is None else count_of(source.pacer.speed, "time")
        if not source.loading:
            state, style = "■ at the end", "$secondary"
        elif source.pacer.paused:
            state, style = "‖ held", "$text-warning"
        else:
            state, style = "▶ plays", "$text-success"
        warnings = source.capture.warnings
        tail = f"  ▲ {warnings[0]}" if warnings and not source.loading else ""
        return line(
            ("capture ", "bold"),
            ("█" * full + "░" * (room - full), "$primary"),
            f" {source.capture.progress * 100:3.0f} %  ",
            (state, style),
            f"  {speed}",
            (tail, "$text-warning"),
        )
