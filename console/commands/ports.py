"""`wakeline ports`: what can be opened, what hinders, and the simulated boards that run now."""

from __future__ import annotations

import json
from argparse import Namespace
from typing import Final

from console.bench import registry
from console.errors import UsageTrouble
from console.link.ports import PortInfo, list_ports

_NEXT: Final = [
    "  next: plug the adapter in and run this again, or try `wakeline ports --watch` while plugging",
    "  without hardware: `wakeline demo`, or `wakeline bench --link board.port` in another terminal",
]


def run(options: Namespace) -> int:
    """Run the command; returns the exit code. Raises UsageTrouble."""
    if not options.watch and (options.seconds is not None or options.expect is not None):
        raise UsageTrouble("usage", "--for and --expect belong to --watch", help="add --watch")
    ports = [port for port in list_ports() if options.all or not port.phantom]
    benches = registry.running()
    out = {
        "outcome": "ok",
        "ports": [port._asdict() for port in ports],
        "simulated": [{"port": entry.port, "scene": entry.scene} for entry in benches],
        "error": None,
    }
    if not options.json:
        lines = [line for port in ports for line in describe(port)]
        lines += [f"{entry.port}  simulated board, scene {entry.scene}" for entry in benches]
        if not lines:
            lines = ["no serial port found."] + ([] if options.watch else _NEXT)
        print("\n".join(lines), flush=True)
    if options.watch:
        from console.commands.ports_watch import watch  # only here: the plain list must not wait for it

        return watch(options, ports, out)
    if options.json:
        print(json.dumps(out, indent=2))
    return 0


def describe(port: PortInfo) -> list[str]:
    """A port as lines of text."""
    identity = f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None and port.pid is not None else "not USB"
    serial = f", serial {port.serial_number}" if port.serial_number else ""
    lines = [f"{port.device}  {port.title}  ({identity}{serial})"]
    if port.holder:
        lines.append(f"  in use by {port.holder}")
    if port.trouble:
        lines.append(f"  trouble: {port.trouble}")
    if port.cure:
        lines.append(f"  next: {port.cure}")
    return lines
