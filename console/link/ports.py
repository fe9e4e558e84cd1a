"""Which ports there are: identity, who holds them, what hinders, and what comes and goes.

Light to import: the serial library and asyncio are loaded when a function needs them, and the records are named
tuples because dataclasses would load half of the inspection machinery.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import AsyncGenerator, Callable, Iterable
from typing import Any, Final, Literal, NamedTuple

from console.link.holder import holders
from console.link.sysfs import driver_of, is_phantom
from console.link.troubles import permission_cure
from console.text import clean

POLL_S: Final = 1.0  # listing takes up to an eighth of a second where many adapters are plugged in


class PortInfo(NamedTuple):
    """A port as the system lists it; every string is safe to show.

    `title` is the shortest name a person would know it by. `phantom`: a name without hardware behind it.
    `trouble` says what keeps this user from opening it, `cure` what to do about it.
    """

    device: str
    title: str
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    location: str | None = None
    manufacturer: str | None = None
    product: str | None = None
    driver: str | None = None
    holder: str | None = None
    accessible: bool = True
    phantom: bool = False
    trouble: str | None = None
    cure: str | None = None


class PortChange(NamedTuple):
    """A port that came, went, or looks different now (holder, rights); `port` is its last known state."""

    kind: Literal["appeared", "vanished", "changed"]
    port: PortInfo


Comports = Callable[[], Iterable[Any]]


def list_ports(comports: Comports | None = None) -> list[PortInfo]:
    """The ports of this machine, real USB adapters first, phantoms last and flagged. Blocks for up to 0.2 s.

    `comports` stands in for the serial library's own listing in tests.
    """
    if comports is None:
        from serial.tools import list_ports as system

        comports = system.comports  # type: ignore[attr-defined]
    found = list(comports())
    # nobody holds what is not there, and looking through all processes takes time
    held = holders(str(entry.device) for entry in found if not _is_phantom(entry))
    ports = [_info(entry, held.get(entry.device)) for entry in found]
    return sorted(ports, key=lambda port: (port.phantom, port.vid is None, _natural(port.device)))


def same_adapter(one: PortInfo, other: PortInfo) -> bool:
    """Whether two entries are one adapter, perhaps plugged in again under another name.

    By USB ids and serial number (and interface, on adapters with several ports); without a serial number by the
    place on the bus it is plugged into. Two cheap adapters may carry one serial number: see `find_again`.
    """
    if one.vid is None or other.vid is None:
        return one.vid == other.vid and one.device == other.device
    if (one.vid, one.pid) != (other.vid, other.pid) or one.serial_number != other.serial_number:
        return False
    if one.serial_number:
        return _interface(one) == _interface(other)
    return one.location is not None and one.location == other.location


def find_again(before: PortInfo, ports: Iterable[PortInfo]) -> PortInfo | None:
    """The entry of `ports` that is the adapter seen `before`; None when there is none or it cannot be told which."""
    matches = [port for port in ports if same_adapter(before, port)]
    at_its_place = [port for port in matches if port.location == before.location]
    best = at_its_place or matches
    return best[0] if len(best) == 1 else None


async def watch_ports(
    interval_s: float = POLL_S,
    *,
    known: Iterable[PortInfo] | None = None,
    lister: Callable[[], list[PortInfo]] = list_ports,
) -> AsyncGenerator[PortChange, None]:
    """Changes of the list of ports, for ever; it is looked at every `interval_s` (> 0) in a thread.

    Changes are told against `known`; None means against the first look, so that `known=()` tells every port first.
    """
    import asyncio

    from console.link import threads

    before = None if known is None else {port.device: port for port in known}
    while True:
        with contextlib.suppress(OSError):  # a device may vanish while it is looked at; the next look tells
            now = {port.device: port for port in await threads.start(lister, "list ports")}
            if before is not None:
                for change in _changes(before, now):
                    yield change
            before = now
        await asyncio.sleep(interval_s)


def _changes(before: dict[str, PortInfo], now: dict[str, PortInfo]) -> list[PortChange]:
    """A device name that belongs to another adapter now has vanished and appeared."""
    gone = [p for name, p in before.items() if name not in now or not same_adapter(p, now[name])]
    gone_names = {port.device for port in gone}
    out = [PortChange("vanished", port) for port in gone]
    for name, port in now.items():
        if name not in before or name in gone_names:
            out.append(PortChange("appeared", port))
        elif port != before[name]:
            out.append(PortChange("changed", port))
    return out


def _info(entry: Any, holder: str | None) -> PortInfo:
    device = str(entry.device)
    accessible = sys.platform == "win32" or os.access(device, os.R_OK | os.W_OK)
    product, description = _text(entry.product), _text(entry.description)
    return PortInfo(
        device=clean(device),
        title=product or (description if description not in (None, "n/a") else None) or clean(os.path.basename(device)),
        vid=entry.vid,
        pid=entry.pid,
        serial_number=_text(entry.serial_number),
        location=_text(entry.location),
        manufacturer=_text(entry.manufacturer),
        product=product,
        driver=_text(driver_of(device)),
        holder=holder,
        accessible=accessible,
        phantom=_is_phantom(entry),
        trouble=None if accessible else "you may not open this port",
        cure=None if accessible else permission_cure(device),
    )


def _is_phantom(entry: Any) -> bool:
    return entry.vid is None and is_phantom(str(entry.device))


def _text(value: str | None) -> str | None:
    """A string from a USB descriptor, safe to show; an empty one is none."""
    return clean(str(value).strip(), 120) or None if value is not None else None


def _interface(port: PortInfo) -> str:
    """The part of the location that names the interface: ``1-2:1.0`` -> ``1.0``."""
    return (port.location or "").partition(":")[2]


def _natural(device: str) -> tuple[str, int]:
    """Sorts COM9 before COM10."""
    stem = device.rstrip("0123456789")
    return stem, int(device[len(stem) :] or 0)
