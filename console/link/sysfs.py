"""What Linux says about a tty in its /sys files; None or False everywhere else."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

TTYS: Final = Path("/sys/class/tty")


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
        return int((_folder(device, ttys) / "device" / "latency_timer").read_text(encoding="ascii")) / 1000
    except (OSError, ValueError):
        return None


def is_phantom(device: str, ttys: Path = TTYS) -> bool:
    """Whether this is a name without hardware: its `type` is 0, PORT_UNKNOWN in include/uapi/linux/serial_core.h."""
    try:
        return (_folder(device, ttys) / "type").read_text(encoding="ascii").strip() == "0"
    except (OSError, ValueError):
        return False


def _folder(device: str, ttys: Path) -> Path:
    return ttys / os.path.basename(os.path.realpath(device))
