"""The USB tree as Linux shows it in its /sys files; None everywhere else.

The files: the kernel's Documentation/ABI/testing/sysfs-bus-usb and Documentation/usb.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final

from console.text import clean
from console.usb import Tty, UsbDevice

USB_DEVICES: Final = Path("/sys/bus/usb/devices")
_PLACE: Final = re.compile(r"\d+-\d+(\.\d+)*")


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
