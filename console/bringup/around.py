"""What is around the board on this system: links to its port, and whether that port shows up when it is plugged in."""

from __future__ import annotations

import asyncio
import os
from typing import Final

from console.boards.plan import Plan, Port, Work
from console.causes.plug import PlugFold
from console.clock import Clock
from console.link import make_link
from console.link.base import LineUse, Link, LinkSettings, WakeLines
from console.link.plug_watch import PlugWatch, looks
from console.usb import Look, UsbDevice
from protocols.uart import Frame

_REMOTE: Final = "://"


class SystemPorts:
    """Ports of this system. `stands_in` says why the port's being there is enough, without a plug ("": it is not)."""

    def __init__(self, port: str, clock: Clock, stands_in: str = "") -> None:
        self._port = port
        self._clock = clock
        self._stands_in = stands_in

    async def link(self, port: Port) -> Link:
        """A link with these settings, not opened yet. Raises PortTrouble."""
        return make_link(settings_for(self._port, port), self._clock)

    async def shows_up(self, usb: tuple[int, int] | None, within_s: float) -> tuple[bool, str]:
        """Whether the port is there, or comes within that time, and what was seen."""
        if self._stands_in:
            there = self._is_there()
            return there, self._stands_in if there else f"{self._port} did not come"
        if _REMOTE in self._port:
            return True, "a remote port: its plug is not here to be watched"
        fold = PlugFold(usb)
        try:
            async with asyncio.timeout(within_s):
                with PlugWatch() as watch:
                    async for look in looks(watch):
                        fold.add(look)
                        seen = self._seen(look, usb)
                        if seen is not None:
                            return seen
        except TimeoutError:
            pass
        verdict = fold.verdict()
        next_step = verdict.steps[0].title if verdict.steps else verdict.help
        return False, "; ".join(filter(None, (f"{self._port} did not come: {verdict.title}", next_step)))

    def _is_there(self) -> bool:
        return _REMOTE in self._port or os.path.exists(self._port)

    def _seen(self, look: Look, usb: tuple[int, int] | None) -> tuple[bool, str] | None:
        """What this look decides: the device behind the port, another one than expected, or a port without any."""
        real = os.path.realpath(self._port)
        for device in look.devices:
            if any(os.path.realpath(tty.name) == real for tty in device.ttys):
                return _judged(device, usb)
        if self._is_there():
            return True, "the port is there; no USB device is known behind it"
        return None


def keeps_its_rate(name: str, plan: Plan) -> str:
    """Why this plan cannot be done to its end over this port, in words; "" where it can.

    A raw connection keeps the rate and frame of its server, and the board's program may want others than the loader.
    """
    loader, own = plan.loader, plan.application
    speaks = any(stage.work in (Work.START, Work.QUERY) for stage in plan.stages)
    if _REMOTE not in name or not speaks or (loader.baud, loader.frame) == (own.baud, own.frame):
        return ""
    return (
        f"the plan needs {loader.baud} baud {loader.frame} for the loader and {own.baud} baud {own.frame} for the "
        "board's program, and a raw connection keeps the rate and frame of its server"
    )


def settings_for(name: str, port: Port) -> LinkSettings:
    """How a port of a board file is opened."""

    def use(line: str) -> LineUse | None:
        if not line:
            return None
        return LineUse("dtr" if line.endswith("dtr") else "rts", not line.startswith("~"))

    wake = WakeLines(use(port.reset_line), use(port.strap_line))
    return LinkSettings(port=name, baud=port.baud, frame=Frame.parse(port.frame), wake=wake)


def _judged(device: UsbDevice, usb: tuple[int, int] | None) -> tuple[bool, str]:
    if usb is not None and (device.vid, device.pid) != usb:
        return False, f"{device.title} is there, not the device {usb[0]:04x}:{usb[1]:04x} that the plan names"
    return True, f"{device.title} is there"
