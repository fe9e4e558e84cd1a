"""What Linux says about a tty in its /sys files; None or False everywhere else. Listing ports waits for this import."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from console.text import clean

TTYS: Final = Path("/sys/class/tty")
_USB_ABOVE: Final = 3
# AN232B-04 advises against 1 ms, which equals a USB frame
SLOW_TIMER_S: Final = 0.002


def driver_of(device: str, ttys: Path = TTYS) -> str | None:
    """The name of the kernel driver behind a device, such as ftdi_sio."""
    try:
        return (_folder(device, ttys) / "device" / "driver").resolve(strict=True).name
    except OSError:
        return None


def latency_timer_s(device: str, ttys: Path = TTYS) -> float | None:
    """How long the adapter collects short answers before it sends them on (seconds); None where it has no timer.

    Only ftdi_sio shows this file (milliseconds, 1-255; 16 unless it was changed; AN232B-04).
    """
    try:
        return int(latency_file(device, ttys).read_text(encoding="ascii")) / 1000
    except (OSError, ValueError):
        return None


def usb_ids(device: str, ttys: Path = TTYS) -> tuple[int, int] | None:
    """Vendor and product id of the USB adapter behind a device; None where there is none.

    The files stand in the folder of the USB device (Documentation/ABI/stable/sysfs-bus-usb), which is one or two above
    the tty's, depending on the driver.
    """
    try:
        at = (_folder(device, ttys) / "device").resolve(strict=True)
        for folder in (at, *at.parents[:_USB_ABOVE]):
            if (folder / "idVendor").exists():
                vid, pid = (int((folder / name).read_text(encoding="ascii"), 16) for name in ("idVendor", "idProduct"))
                return vid, pid
    except (OSError, ValueError):
        return None
    return None


def latency_advice(device: str, timer_s: float, ttys: Path = TTYS) -> str:
    """Why the timer matters and how whoever may can change it. Two milliseconds: one would equal a USB frame."""
    return (
        f"the adapter holds short answers back for {1000 * timer_s:.0f} ms; to change that until it is plugged in "
        f"again: echo 2 | sudo tee {clean(str(latency_file(device, ttys)))}"
    )


def latency_file(device: str, ttys: Path = TTYS) -> Path:
    """Where the adapter's timer can be changed by whoever may (see `latency_timer_s`)."""
    return _folder(device, ttys) / "device" / "latency_timer"


def is_phantom(device: str, ttys: Path = TTYS) -> bool:
    """Whether this is a name without hardware: its `type` is 0, PORT_UNKNOWN in include/uapi/linux/serial_core.h."""
    try:
        return (_folder(device, ttys) / "type").read_text(encoding="ascii").strip() == "0"
    except (OSError, ValueError):
        return False


def _folder(device: str, ttys: Path) -> Path:
    return ttys / os.path.basename(os.path.realpath(device))
