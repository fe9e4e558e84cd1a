"""`wakeline ports`: what can be opened, what hinders, and the simulated boards that run now."""

from __future__ import annotations

import contextlib
import json
import sys
from argparse import Namespace

from console.bench import registry
from console.link.ports import PortInfo, list_ports, watch_ports


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    ports = [port for port in list_ports() if options.all or not port.phantom]
    benches = registry.running()
    if options.json and not options.watch:
        benches_out = [{"port": entry.port, "scene": entry.scene} for entry in benches]
        out = {"outcome": "ok", "ports": [port._asdict() for port in ports], "simulated": benches_out, "error": None}
        print(json.dumps(out, indent=2))
        return 0
    if not options.json:
        lines = [line for port in ports for line in describe(port)]
        lines += [f"{entry.port}  simulated board, scene {entry.scene}" for entry in benches]
        if not lines:
            lines = [
                "no serial port found.",
                "  next: plug the adapter in and run this again, or try `wakeline ports --watch` while plugging",
                "  without hardware: `wakeline demo`, or `wakeline bench --link board.port` in another terminal",
            ]
        print("\n".join(lines))
    if options.watch:
        import asyncio  # only here: the plain list must not wait for it

        with contextlib.suppress(KeyboardInterrupt):  # that is how a watch ends
            asyncio.run(_watch(options))
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


async def _watch(options: Namespace) -> None:
    if not options.json:
        print("watching; plug or unplug the adapter (Ctrl-C ends)", flush=True)
    async for change in watch_ports():
        if change.port.phantom and not options.all:
            continue
        if options.json:
            print(json.dumps({"change": change.kind, "port": change.port._asdict()}), flush=True)
        else:
            print(f"{change.kind}: " + "\n".join(describe(change.port)), flush=True)
        sys.stdout.flush()
