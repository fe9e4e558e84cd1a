"""What a link delivers to; kept apart so that a session offers people no method that only a link may call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from console.errors import PortTrouble
from console.events import Event, LineEvent


@dataclass(frozen=True, slots=True)
class Ear:
    """What the link delivers to; kept apart so that a session offers people no method that only a link may call."""

    heard: Callable[[bytes, int], None]
    line: Callable[[Event], None]
    gone: Callable[[PortTrouble], None]

    def data_in(self, data: bytes, t_ns: int) -> None:
        self.heard(data, t_ns)

    def line_event(self, event: LineEvent) -> None:
        self.line(event)

    def lost(self, error: PortTrouble) -> None:
        self.gone(error)
