"""One look after the other at everything a plug can change: the USB tree, the ports it brought, the kernel's log.

Where there is no USB tree (systems other than Linux), the list of ports stands in for it.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
from collections.abc import AsyncGenerator, Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Final

from console.link import threads
from console.link.kernel_log import KMSG, KernelLog, why_not
from console.link.ports import PortInfo, list_ports
from console.link.troubles import permission_cure
from console.link.usb_tree import USB_DEVICES, usb_devices
from console.usb import Look, Tty, UsbDevice

TREE_S: Final = 0.25  # a loop of enumerations lives for about half a second per turn
LIST_S: Final = 1.0  # listing ports is slower than reading the tree


class PlugWatch:
    """What is plugged, look by look. `notes` says in words what cannot be seen on this system.

    `tree`, `kmsg`, `dev` and `lister` stand in for the system's own in tests.
    """

    def __init__(
        self,
        *,
        tree: Path = USB_DEVICES,
        kmsg: Path = KMSG,
        dev: Path = Path("/dev"),
        lister: Callable[[], Sequence[PortInfo]] = list_ports,
    ) -> None:
        self._tree, self._dev, self._lister = tree, dev, lister
        self.notes: tuple[str, ...] = ()
        self._log: KernelLog | None = None
        try:
            self._log = KernelLog(kmsg)
        except OSError as error:
            self.notes = (why_not(error),)
        self.has_tree = usb_devices(tree) is not None
        if not self.has_tree:
            self.notes += ("this system shows no USB tree: a device that brings no port stays unseen",)

    def __enter__(self) -> PlugWatch:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    @property
    def interval_s(self) -> float:
        """How long to wait between two looks, in seconds."""
        return TREE_S if self.has_tree else LIST_S

    def look(self, t_s: float) -> Look:
        """What is there now, at `t_s` (seconds, monotonic). Blocks for milliseconds, without a tree up to 0.2 s."""
        lines, lost = self._log.read() if self._log is not None else ([], False)
        devices = usb_devices(self._tree) if self.has_tree else _from_ports(self._lister())
        devices = tuple(self._with_rights(device) for device in devices or ())
        return Look(t_s, devices, tuple(lines), self._log is not None, lost)

    def close(self) -> None:
        """Let go of the log."""
        if self._log is not None:
            self._log.close()

    def _with_rights(self, device: UsbDevice) -> UsbDevice:
        if not self.has_tree or not device.ttys:
            return device
        return device._replace(ttys=tuple(self._rights(tty.name) for tty in device.ttys))

    def _rights(self, name: str) -> Tty:
        node = str(self._dev / name)
        if not os.path.exists(node) or os.access(node, os.R_OK | os.W_OK):
            return Tty(node)
        return Tty(node, False, permission_cure(node))


async def looks(watch: PlugWatch) -> AsyncGenerator[Look, None]:
    """A look every `watch.interval_s`, for ever; the looking itself is done in a thread."""
    while True:
        look = None
        with contextlib.suppress(OSError):  # a port may vanish while it is listed; the next look tells
            look = await threads.start(lambda: watch.look(time.monotonic()), "look at the plug")
        if look is not None:
            yield look
        await asyncio.sleep(watch.interval_s)


def _from_ports(ports: Sequence[PortInfo]) -> tuple[UsbDevice, ...]:
    """The USB adapters of a list of ports, as far as it tells; several ports of one adapter are one device."""
    found: dict[str, UsbDevice] = {}
    for port in ports:
        if port.vid is None:
            continue  # not on USB, so no plug to watch
        place = (port.location or port.device).partition(":")[0]
        tty = Tty(port.device, port.accessible, port.cure or "")
        known = found.get(place)
        found[place] = (
            UsbDevice(
                place, 0, port.vid, port.pid, port.manufacturer or "", port.product or "", port.serial_number or "",
                drivers=(port.driver or "in use",), ttys=(tty,),
            )
            if known is None
            else known._replace(ttys=(*known.ttys, tty))
        )  # fmt: skip
    return tuple(found[place] for place in sorted(found))
