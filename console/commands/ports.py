"""`wakeline ports`: what can be opened, what hinders, and the simulated boards that run now."""

from __future__ import annotations

import contextlib
import json
import sys
from argparse import Namespace

from console.bench import registry
from console.link.bridge_rates import LineRate, line_rate, rate_words, too_far
from console.link.ports import PortInfo, list_ports, watch_ports
from console.link.sysfs import SLOW_TIMER_S, latency_advice, latency_timer_s


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    ports = [port for port in list_ports() if options.all or not port.phantom]
    benches = registry.running()
    if options.json and not options.watch:
        benches_out = [{"port": entry.port, "scene": entry.scene} for entry in benches]
        ports_out = [as_object(port, options.baud) for port in ports]
        out = {"outcome": "ok", "ports": ports_out, "simulated": benches_out, "error": None}
        print(json.dumps(out, indent=2))
        return 0
    if not options.json:
        lines = [line for port in ports for line in describe(port, options.baud)]
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


def as_object(port: PortInfo, baud: int) -> dict[str, object]:
    """A port with what its bridge makes of `baud`; `line_rate` is null where the kind of bridge is not known."""
    rate = line_rate(port.vid, port.pid, baud)
    timer_s = latency_timer_s(port.device)
    return {
        **port._asdict(),
        "line_rate": None
        if rate is None
        else {
            "asked": rate.asked,
            "actual": [round(actual, 3) for actual in rate.actual],
            "error_percent": [round(100 * error, 4) for error in rate.errors],
            "too_far": _too_far(rate),
            "source": rate.source,
        },
        "latency_timer_ms": None if timer_s is None else round(1000 * timer_s),
    }


def describe(port: PortInfo, baud: int) -> list[str]:
    """A port as lines of text, with what its bridge makes of `baud`."""
    identity = f"{port.vid:04x}:{port.pid:04x}" if port.vid is not None and port.pid is not None else "not USB"
    serial = f", serial {port.serial_number}" if port.serial_number else ""
    lines = [f"{port.device}  {port.title}  ({identity}{serial})"]
    if port.holder:
        lines.append(f"  in use by {port.holder}")
    if port.trouble:
        lines.append(f"  trouble: {port.trouble}")
    if port.cure:
        lines.append(f"  next: {port.cure}")
    return lines + _rate_lines(port, baud)


def _too_far(rate: LineRate) -> bool:
    from protocols.uart import EIGHT_E_ONE  # only where a bridge is known: the plain list must not wait for it

    return too_far(rate, EIGHT_E_ONE)


def _rate_lines(port: PortInfo, baud: int) -> list[str]:
    if port.vid is None:
        return []
    lines = []
    rate = line_rate(port.vid, port.pid, baud)
    if rate is None:
        lines.append(f"  rate: what this bridge makes of {baud} baud is unknown")
    else:
        word = "too far for 8E1: choose another rate" if _too_far(rate) else "near enough for 8E1"
        lines.append(f"  rate: {rate_words(rate)}: {word} [{rate.source}]")
    timer_s = latency_timer_s(port.device)
    if timer_s is not None and timer_s > SLOW_TIMER_S:
        lines.append(f"  delay: {latency_advice(port.device, timer_s)}")
        lines.append("         (wakeline asks for the driver's low-latency mode by itself when it opens the port)")
    return lines


async def _watch(options: Namespace) -> None:
    if not options.json:
        print("watching; plug or unplug the adapter (Ctrl-C ends)", flush=True)
    async for change in watch_ports():
        if change.port.phantom and not options.all:
            continue
        if options.json:
            print(json.dumps({"change": change.kind, "port": as_object(change.port, options.baud)}), flush=True)
        else:
            print(f"{change.kind}: " + "\n".join(describe(change.port, options.baud)), flush=True)
        sys.stdout.flush()
