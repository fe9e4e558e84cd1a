"""What Linux says about ttys and USB devices in its /sys files; None, False or nothing everywhere else.

The files of a USB device: the kernel's Documentation/ABI/testing/sysfs-bus-usb and Documentation/usb.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final

from console.text import clean
from console.usb import Tty, UsbDevice

TTYS: Final = Path("/sys/class/tty")
USB_DEVICES: Final = Path("/sys/bus/usb/devices")
_PLACE: Final = re.compile(r"\d+-\d+(\.\d+)*")
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


def usb_devices(root: Path = USB_DEVICES) -> tuple[UsbDevice, ...] | None:
    """The devices of the USB tree (without the computer's own root hubs), by place; None where there is no tree.

    A device that goes while it is read is left out.
    """
    try:
        names = sorted(os.listdir(root))
    except OSError:
        return None
    places = [name for name in names if _PLACE.fullmatch(name)]
    found = (_usb_device(root / place, [name for name in names if name.startswith(f"{place}:")]) for place in places)
    return tuple(device for device in found if device is not None)


def _usb_device(folder: Path, interfaces: list[str]) -> UsbDevice | None:
    vid, pid = _hex(folder / "idVendor"), _hex(folder / "idProduct")
    if vid is None or pid is None:
        return None
    speed, number = _line(folder / "speed"), _line(folder / "devnum")
    return UsbDevice(
        place=folder.name,
        number=int(number) if re.fullmatch(r"\d{1,4}", number, re.ASCII) else 0,
        vid=vid,
        pid=pid,
        manufacturer=_line(folder / "manufacturer"),
        product=_line(folder / "product"),
        serial_number=_line(folder / "serial"),
        speed_mbps=float(speed) if re.fullmatch(r"\d{1,6}(\.\d{1,3})?", speed, re.ASCII) else None,
        device_class=_hex(folder / "bDeviceClass") or 0,
        drivers=tuple(_driver(folder.parent / name) for name in interfaces),
        ttys=tuple(tty for name in interfaces for tty in _ttys(folder.parent / name)),
    )


def _ttys(interface: Path) -> list[Tty]:
    """The ports of an interface: ``tty/ttyACM0`` (cdc_acm), or ``ttyUSB0/tty/ttyUSB0`` (usb-serial)."""
    try:
        found = sorted({path.name for pattern in ("tty/*", "*/tty/*") for path in interface.glob(pattern)})
    except OSError:  # it went while it was looked at
        return []
    return [Tty(clean(name, 80)) for name in found]


def _driver(interface: Path) -> str:
    try:
        return clean((interface / "driver").resolve(strict=True).name, 80)
    except OSError:
        return ""


def _line(path: Path) -> str:
    try:
        return clean(path.read_text(encoding="utf-8", errors="replace").strip(), 120)
    except OSError:
        return ""


def _hex(path: Path) -> int | None:
    text = _line(path)
    return int(text, 16) if re.fullmatch(r"[0-9a-fA-F]{1,4}", text) else None


def _folder(device: str, ttys: Path) -> Path:
    return ttys / os.path.basename(os.path.realpath(device))
