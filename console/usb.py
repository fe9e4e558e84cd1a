"""What can be seen of a USB plug: devices, the kernel's words about them, and one look at all of it. Plain data.

Readers in `console/link` make these, the judge in `console/causes/plug.py` folds them; every string is safe to show.
"""

from __future__ import annotations

from typing import Final, NamedTuple

HUB_CLASS: Final = 0x09  # USB 2.0 specification, section 11.23.1: bDeviceClass of a hub


class Tty(NamedTuple):
    """A serial port that a device brought; `cure` says how to get the right to open it where `usable` is false."""

    name: str
    usable: bool = True
    cure: str = ""


class UsbDevice(NamedTuple):
    """A device on the bus.

    `place` is the socket it hangs on, as the kernel counts it (``1-1.4``: bus 1, socket 1, there socket 4 of a hub);
    `number` its address on the bus, a new one at every enumeration. `drivers` has one name per interface, "" where
    none is bound. `speed_mbps` is 1.5 (low), 12 (full), 480 (high) and more; None where it is not told.
    """

    place: str
    number: int = 0
    vid: int | None = None
    pid: int | None = None
    manufacturer: str = ""
    product: str = ""
    serial_number: str = ""
    speed_mbps: float | None = None
    device_class: int = 0
    drivers: tuple[str, ...] = ()
    ttys: tuple[Tty, ...] = ()

    @property
    def ids(self) -> str:
        """Vendor and product id as people write them: ``1209:0001``."""
        return "no ids" if self.vid is None else f"{self.vid:04x}:{self.pid or 0:04x}"

    @property
    def title(self) -> str:
        """The shortest name a person would know it by, with its ids."""
        return f"{self.product or self.manufacturer or 'USB device'} ({self.ids})"


class KernelLine(NamedTuple):
    """One record of the kernel's log. `level` 0 (emergency) to 7 (debug); `t_s` since the system started."""

    level: int
    sequence: int
    t_s: float
    text: str


class Look(NamedTuple):
    """What was there at `t_s` (seconds, monotonic), and what the kernel said since the look before.

    `log`: the kernel's log can be read. `lost`: log records were overwritten before they were read.
    """

    t_s: float
    devices: tuple[UsbDevice, ...] = ()
    lines: tuple[KernelLine, ...] = ()
    log: bool = True
    lost: bool = False
