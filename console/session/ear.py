"""What a session hears through, and what keeps two attempts on one port apart."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from console.errors import PortTrouble
from console.events import Event, LineEvent

if TYPE_CHECKING:
    from console.session.session import Session


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


class Busy:
    """Two attempts on one port cannot overlap."""

    def __init__(self, session: Session) -> None:
        self._session = session

    async def __aenter__(self) -> None:
        if self._session._busy:
            raise RuntimeError("this session is busy: cancel the running attempt first")
        self._session._busy = True

    async def __aexit__(self, *exc: object) -> None:
        self._session._busy = False
