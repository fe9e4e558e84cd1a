"""What the session needs of any link (serial port, pty, socket), and the settings it opens one with."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

from console.errors import PortTrouble
from console.events import LineEvent
from protocols.uart import EIGHT_E_ONE, Frame

ControlLine = Literal["dtr", "rts"]


@dataclass(frozen=True, slots=True)
class LineUse:
    """A control line of the adapter that is wired to a pin of the board.

    `active_when` is the logical state of the line (True = asserted, which most adapters drive low) in which the
    board's function is active.
    """

    line: ControlLine
    active_when: bool = True


@dataclass(frozen=True, slots=True)
class WakeLines:
    """How the adapter can put the board into its boot ROM without hands: reset and strap over DTR/RTS.

    `hold_s` is how long reset stays active, `settle_s` the pause after its release before anything is sent.
    """

    reset: LineUse | None = None
    strap: LineUse | None = None
    hold_s: float = 0.1
    settle_s: float = 0.1


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """Everything needed to open a port. `dtr`/`rts` are the logical states to hold while open."""

    port: str
    baud: int = 115200
    frame: Frame = EIGHT_E_ONE
    dtr: bool = False
    rts: bool = False
    low_latency: bool = True
    wake: WakeLines = field(default_factory=WakeLines)


@dataclass(frozen=True, slots=True)
class OpenReport:
    """What opening really gave, so that nothing is claimed that the port cannot do.

    `line_errors`: "marked" (errors arrive beside their bytes), "counted" (only counters), "not available".
    `low_latency`: None where the driver has no such mode. `opening_pulse`: the system raised DTR/RTS on opening.
    """

    frame_in_use: Frame
    line_errors: Literal["marked", "counted", "not available"]
    low_latency: bool | None
    opening_pulse: bool | None
    latency_s: float
    notes: tuple[str, ...] = ()


class Receiver(Protocol):
    """Where a link delivers; called on the event loop's thread, never after `lost` or close."""

    def data_in(self, data: bytes, t_ns: int) -> None:
        """Clean bytes arrived."""
        ...

    def line_event(self, event: LineEvent) -> None:
        """A line error, break or control line change was seen."""
        ...

    def lost(self, error: PortTrouble) -> None:
        """The link is gone; called once."""
        ...


class Link(Protocol):
    """An open-able port. Opening, flushing and closing never block the loop."""

    @property
    def settings(self) -> LinkSettings:
        """What the link was made with."""
        ...

    async def open(self, receiver: Receiver) -> OpenReport:
        """Open exclusively and start reading. Raises PortTrouble (missing, busy, permission, unusable)."""
        ...

    def write(self, data: bytes) -> None:
        """Hand bytes to the port without blocking; raises PortTrouble link-lost after a loss."""
        ...

    async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
        """Drive control lines (None = leave); False where the port has none."""
        ...

    async def retune(self, baud: int, frame: Frame) -> OpenReport:
        """Change rate and frame while open, dropping what was not read; `settings` tells them afterwards.

        Raises PortTrouble: link-lost, or port-unusable where they cannot be changed (then the former ones stay).
        """
        ...

    async def close(self) -> None:
        """Close within a bounded time, discarding unsent bytes; may be called twice."""
        ...
