"""Everything a scene decides about one board and its adapter. Plain facts, no behaviour."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from console.bench.chips import F10X
from console.bench.joints import Joints
from console.bench.tern import MCU
from console.bench.wiring import Wiring
from protocols.an3155.flaws import Flaws
from protocols.uart import EIGHT_E_ONE, Frame


class Firmware(StrEnum):
    """What runs when the ROM does not."""

    BLANK = "blank"
    TALKS = "talks"
    ANSWERS = "answers"


class Chatter(StrEnum):
    """Bytes beside the protocol, sent once when the port is opened."""

    NONE = "none"
    NOISE = "noise"
    FLOOD = "flood"
    HOSTILE = "hostile"


class Mode(StrEnum):
    """What the chip is doing."""

    OFF = "off"
    ROM = "rom"
    APPLICATION = "application"


class PortState(StrEnum):
    """How the system meets a program that opens the port."""

    FREE = "free"
    BUSY = "busy"  # another program has it
    DENIED = "denied"  # nobody may open it (the system's administrator still may)


class Way(StrEnum):
    """A direction on the line."""

    TO_BOARD = "to-board"
    TO_HOST = "to-host"


class What(StrEnum):
    """What happens at a place on the line."""

    DROP = "drop"
    CORRUPT = "corrupt"
    RESET = "reset"
    VANISH = "vanish"


@dataclass(frozen=True, slots=True)
class LineFlaw:
    """`what` happens to the `place`-th character (from 1) that goes `way`, or right after it; `mask` flips bits."""

    what: What
    way: Way
    place: int
    mask: int = 0


FLOOD_BYTES: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything a scene decides.

    `firmware` is the program in the flash; into a blank chip the one that answers is taken to be programmed. `joints`
    are those of the parts behind the chip.

    `strap_boot`: the boot strap is at the boot level; `in_loader` False: it was set but nobody has pressed reset.
    `rate_error`: by which ratio the ROM's answer rate misses the measured rate (AN2606 Rev 70 Table 6: up to -6 %),
    at rates above `rate_error_above` in bits/s: the timer that measures is coarse against a short bit.
    `adapter_frame` with `frame_pinned`: the frame the adapter keeps whatever it is told. `vanish_after_s`: this long
    after opening the port goes away, once; it is back `return_after_s` later (0 = only by the action "return").
    """

    wiring: Wiring = field(default_factory=Wiring)
    product: str = F10X
    strap_boot: bool = True
    in_loader: bool = True
    rate_error: float = 0.0
    rate_error_above: float = 0.0
    adapter_frame: Frame = EIGHT_E_ONE
    frame_pinned: bool = False
    readout_protected: bool = False
    firmware: Firmware = Firmware.BLANK
    application_rate: float = 115200.0
    chatter: Chatter = Chatter.NONE
    port: PortState = PortState.FREE
    flaws: Flaws = field(default_factory=Flaws)
    line_flaws: tuple[LineFlaw, ...] = ()
    joints: Joints = field(default_factory=Joints)
    vanish_after_s: float = 0.0
    return_after_s: float = 0.0
    seed: int = 7

    def exchanged(self, part: str) -> Setup:
        """With the part that the design names where another one was fitted, or where it is dead."""
        product = F10X if part == MCU else self.product
        return replace(self, product=product, joints=self.joints.exchanged(part))
