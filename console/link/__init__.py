"""Ports: finding them, opening them, and what the line says beside its bytes.

All serial I/O of the console lives here. `make_link` is the only door; it loads the serial library when it is called,
so that listing commands start fast.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from console.errors import PortTrouble

if TYPE_CHECKING:
    from console.clock import Clock
    from console.link.base import Link, LinkSettings

__all__ = ["make_link"]


def make_link(settings: LinkSettings, clock: Clock) -> Link:
    """The link for `settings.port`: a device file, ``COMn`` or ``socket://host:port``; nothing is opened yet.

    Raises PortTrouble port-url for any other address.
    """
    port = settings.port.strip()
    scheme = port.partition("://")[0].lower() if "://" in port else ""
    if scheme == "socket":
        from console.link.socket_link import SocketLink

        return SocketLink(settings, clock)
    if scheme == "rfc2217":
        raise PortTrouble(
            "port-url",
            "remote ports over RFC 2217 come in a later version",
            where=port,
            help="set the port's rate and frame on its server, let it serve a raw TCP port, and use socket://host:port",
        )
    if scheme or not port:
        raise PortTrouble(
            "port-url",
            "this address is not one of a port" if port else "no port was given",
            where=port,
            help="use a device such as /dev/ttyUSB0 or COM5, or socket://host:port; `wakeline ports` lists them",
        )
    from console.link.serial_link import SerialLink

    return SerialLink(settings, clock)
