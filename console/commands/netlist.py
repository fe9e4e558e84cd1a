"""`wakeline netlist FILE`: what a netlist says of a board, one of its nets, a part, or a pin and its neighbours."""

from __future__ import annotations

import difflib
import textwrap
from argparse import Namespace
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from console.boards.circuit import Pin
from console.boards.drawing import NEAR_MM, draw_net, draw_part, draw_pin, nearest
from console.boards.examples import NETLISTS, example_netlist
from console.boards.netlist import MOST_BYTES, Netlist, parse_netlist
from console.errors import InputTrouble, UsageTrouble
from console.summary import dumps
from console.text import clean
from console.words import count_of

_WIDTH: Final = 78
_MOST_LISTED_LINES: Final = 8


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    netlist = load(options.file)
    circuit = netlist.circuit
    out: dict[str, Any] = {"outcome": "ok", "file": netlist.file, **_counts(netlist)}
    if options.net is not None:
        nets = dict.fromkeys([*circuit.nets, *(via.net for via in netlist.vias if via.net)])
        net = _meant(options.net, nets, "net", netlist)
        lines = draw_net(netlist, net)
        out["net"] = _net_object(netlist, net)
    elif options.part is not None:
        part = _meant(options.part, circuit.parts, "part", netlist)
        lines = draw_part(netlist, part)
        out["part"] = {"part": part, "pins": [_pin_object(pin) for pin in circuit.parts[part]]}
    elif options.pin is not None:
        pin = _meant_pin(options.pin, netlist)
        lines = draw_pin(netlist, pin.part, pin.name)
        out["pin"] = _pin_object(pin) | {"neighbours": _neighbours(netlist, pin)}
    else:
        lines = summary_lines(netlist)
        out |= {"part_names": list(circuit.parts), "net_names": list(circuit.nets)}
    out |= {"warnings": [{"text": n.text, "count": n.count, "lines": list(n.lines)} for n in netlist.notices]}
    if options.json:
        print(dumps(out | {"error": None}))
    else:
        print("\n".join([*lines, *(f"warning: {notice}" for notice in netlist.notices)]))
    return 0


def load(name: str) -> Netlist:
    """A netlist from a file, or the packaged example of that name. Raises InputTrouble."""
    path = Path(name)
    if name in NETLISTS and not path.exists():
        return parse_netlist(example_netlist(name), f"example {name}")
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        words = getattr(error, "strerror", None) or "no file can have this name"
        raise InputTrouble(
            "netlist",
            f"cannot read the netlist: {words.lower()}",
            where=clean(name),
            help=f"check the name; `wakeline netlist {next(iter(NETLISTS))}` shows a packaged example",
        ) from error
    return parse_netlist(data, name)


def summary_lines(netlist: Netlist) -> list[str]:
    """Counts, and the names of parts and nets as far as they fit on a screen."""
    counts = _counts(netlist)
    circuit = netlist.circuit
    free = sum(1 for pin in circuit.pins if not pin.net)
    title = f"{netlist.file}{f', job {netlist.job}' if netlist.job else ''}, unit {netlist.units}"
    lines = [
        f"netlist {title}",
        f"{count_of(counts['parts'], 'part')}, {count_of(counts['pins'], 'pin')} ({free} joined to nothing), "
        f"{count_of(counts['nets'], 'net')}, {count_of(counts['vias'], 'via')}, "
        f"{count_of(counts['holes'], 'unplated hole')}, {count_of(len(netlist.aliases), 'long net name')}",
    ]
    lines += _listed("parts", [f"{part}({len({p.name for p in pins})})" for part, pins in circuit.parts.items()])
    return lines + _listed("nets", [f"{net}({len({p.ref for p in pins})})" for net, pins in circuit.nets.items()])


def _listed(title: str, words: Iterable[str]) -> list[str]:
    lines = textwrap.wrap(
        f"{title} (pins): " + " ".join(words),
        _WIDTH,
        subsequent_indent="  ",
        break_long_words=False,
        break_on_hyphens=False,
    )
    more = len(lines) - _MOST_LISTED_LINES
    return lines[:_MOST_LISTED_LINES] + (
        [f"  … and {count_of(more, 'more line')}; --json lists all"] if more > 0 else []
    )


def _counts(netlist: Netlist) -> dict[str, Any]:
    circuit = netlist.circuit
    return {
        "job": netlist.job,
        "units": netlist.units,
        "parts": len(circuit.parts),
        "pins": len({(pin.part, pin.name) for pin in circuit.pins}),
        "nets": len(circuit.nets),
        "vias": len(netlist.vias),
        "holes": netlist.holes,
    }


def _meant(name: str, names: Mapping[str, object], kind: str, netlist: Netlist) -> str:
    """The name in the file that was meant: as written, or the only one that differs in upper and lower case."""
    if name in names:
        return name
    folded = [known for known in names if known.casefold() == name.casefold()]
    if len(folded) == 1:
        return folded[0]
    raise _unknown(name, list(names), kind, netlist)


def _meant_pin(name: str, netlist: Netlist) -> Pin:
    """The pin that was meant by U4.31 or U4-31."""
    for sign in (".", "-"):
        part, _, pin_name = name.rpartition(sign)
        found = netlist.circuit.pin(part, pin_name) or netlist.circuit.pin(part.upper(), pin_name.upper())
        if part and found is not None:
            return found
    part = name.rpartition(".")[0] or name
    if part in netlist.circuit.parts:
        raise _unknown(name, [pin.ref for pin in netlist.circuit.parts[part]], "pin", netlist)
    raise _unknown(part, list(netlist.circuit.parts), "part", netlist)


def _unknown(name: str, names: list[str], kind: str, netlist: Netlist) -> UsageTrouble:
    close = difflib.get_close_matches(name[:80], names[:20_000], n=4, cutoff=0.5)
    return UsageTrouble(
        "netlist-name",
        f"no {kind} {clean(name, 80)!r} in it",
        where=netlist.file,
        note=f"names like it: {', '.join(close)}" if close else "",
        help=f"`wakeline netlist {netlist.file.removeprefix('example ')}` lists parts and nets",
    )


def _net_object(netlist: Netlist, net: str) -> dict[str, Any]:
    return {
        "net": net,
        "pins": [_pin_object(pin) for pin in netlist.circuit.nets.get(net, ())],
        "vias": [_pin_object(via) for via in netlist.vias if via.net == net],
        "probe": [_pin_object(place) for place in netlist.touchable.get(net, ())],
    }


def _pin_object(pin: Pin) -> dict[str, Any]:
    return {
        "part": pin.part,
        "pin": pin.name,
        "net": pin.net or None,
        "x_mm": pin.x_mm,
        "y_mm": pin.y_mm,
        "side": pin.side or None,
    }


def _neighbours(netlist: Netlist, pin: Pin) -> list[dict[str, Any]]:
    pads = [pad for pad in netlist.circuit.parts[pin.part] if pad.name == pin.name]
    near = sorted(nearest(netlist.circuit, pads, NEAR_MM), key=lambda item: item.distance_mm)
    return [_pin_object(other) | {"distance_mm": round(distance, 4)} for other, distance in near]
