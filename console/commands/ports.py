"""`wakeline ports`: what can be opened, what hinders, and the simulated boards that run now.

What is needed only for an adapter that is really there is imported where it is needed: the plain list must not wait.
"""

from __future__ import annotations

import json
from argparse import Namespace
from typing import TYPE_CHECKING, Final

from console.bench import registry
from console.errors import UsageTrouble
from console.link.ports import PortInfo, list_ports
from console.link.sysfs import SLOW_TIMER_S, latency_advice, latency_timer_s

if TYPE_CHECKING:
    from console.link.bridge_rates import LineRate

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
    out: dict[str, object] = {"outcome": "ok", "error": None}
    if options.json:
        out["ports"] = [as_object(port, options.baud) for port in ports]
        out["simulated"] = [{"port": entry.port, "scene": entry.scene} for entry in benches]
    else:
        lines = [line for port in ports for line in describe(port, options.baud)]
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


def as_object(port: PortInfo, baud: int) -> dict[str, object]:
    """A port with what its bridge makes of `baud`; `line_rate` is null where the kind of bridge is not known."""
    from console.link.bridge_rates import line_rate

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
    from console.link.bridge_rates import too_far
    from protocols.uart import EIGHT_E_ONE

    return too_far(rate, EIGHT_E_ONE)


def _rate_lines(port: PortInfo, baud: int) -> list[str]:
    if port.vid is None:
        return []
    from console.link.bridge_rates import line_rate, rate_words

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
