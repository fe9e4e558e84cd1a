"""Which program holds a port, where the system lets us see it (Linux: the open files of our own processes)."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from console.text import clean

_PROC = Path("/proc")


def holders(devices: Iterable[str], proc: Path = _PROC) -> dict[str, str]:
    """For each of `devices` that a visible process has open: that process as ``name (pid)``, controls escaped.

    Processes whose files this user may not see are passed over; this process counts like any other.
    """
    wanted = {os.path.realpath(device): device for device in devices}
    found: dict[str, str] = {}
    if not wanted:
        return found
    try:
        pids = [name for name in os.listdir(proc) if name.isdigit()]
    except OSError:
        return found
    for pid in pids:
        try:
            folder = f"{proc}/{pid}/fd"  # plain strings: there are thousands of these
            files = os.listdir(folder)
        except OSError:
            continue
        for number in files:
            try:
                target = os.readlink(f"{folder}/{number}")
            except OSError:
                continue
            device = wanted.get(target)
            if device is not None and device not in found:
                found[device] = f"{_name(proc, pid)} (pid {pid})"
    return found


def holder_of(device: str, proc: Path = _PROC) -> str | None:
    """The program that has `device` open, None where none is seen."""
    return holders([device], proc).get(device)


def _name(proc: Path, pid: str) -> str:
    try:
        return clean((proc / pid / "comm").read_text(encoding="utf-8", errors="replace").strip(), 40) or "a program"
    except OSError:
        return "a program"
