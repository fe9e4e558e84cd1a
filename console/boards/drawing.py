"""Nets, parts and pins of a netlist as lines of text, for terminal, pipe and screen. Every line comes out clean."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from console.boards.circuit import Circuit, Neighbour, Pin
from console.boards.netlist import Netlist
from console.text import clean
from console.words import count_of

# two pads of the coarsest usual pitch (2.54 mm headers) still count as near
NEAR_MM: Final = 2.6
_NEAREST: Final = 2
_PROBE_PLACES: Final = 3
# a supply net's many pins would drown each other's neighbours
_MOST_WITH_NEIGHBOURS: Final = 12
_PINS_NAMED: Final = 4
_LONGEST: Final = 400
_NO_NET: Final = "no net"
_SIDE_WORDS: Final = {"top": "on top", "bottom": "at the bottom", "both": "from both sides", "": "side unknown"}


def draw_net(netlist: Netlist, net: str, within_mm: float = NEAR_MM) -> list[str]:
    """A net as a tree: parts, their pins, and at each pin the nearest pins of other nets at most `within_mm` away.

    Then its vias, and where a probe meets it. Raises KeyError for an unknown net.
    """
    circuit = netlist.circuit
    vias = [via for via in netlist.vias if via.net == net]
    pins = circuit.nets.get(net, ())
    if not pins and not vias:
        raise KeyError(net)
    by_part: dict[str, list[Pin]] = {}
    for pin in pins:
        by_part.setdefault(pin.part, []).append(pin)
    counts = [
        count_of(len(by_part), "part"),
        count_of(len({pin.ref for pin in pins}), "pin"),
        count_of(len(vias), "via"),
    ]
    lines = [f"net {net}: {', '.join(counts)}"]
    near_mm = within_mm if len(pins) <= _MOST_WITH_NEIGHBOURS else 0
    groups = [(part, [_pin_rows(circuit, pin, near_mm) for pin in group]) for part, group in by_part.items()]
    if vias:
        bare = {pin.place: pin.side for pin in netlist.touchable.get(net, ()) if not pin.name}
        groups.append(("vias", [[f"{_xy(via)}, {_bare_words(via, bare.get(via.place, ''))}"] for via in vias]))
    for number, (title, entries) in enumerate(groups, 1):
        last = number == len(groups)
        lines.append(f"{'└' if last else '├'}─ {title}{_other_end(circuit, title, net)}")
        trunk = " " if last else "│"
        for n, (first, *more) in enumerate(entries, 1):
            lines.append(f"{trunk}  {'└' if n == len(entries) else '├'} {first}")
            lines += [f"{trunk}  {' ' if n == len(entries) else '│'}      {row}" for row in more]
    return _safe([*lines, probe_line(netlist, net)])


def draw_part(netlist: Netlist, part: str) -> list[str]:
    """A part: each pin with its net and what the net goes to. Raises KeyError for an unknown part."""
    circuit = netlist.circuit
    pads = circuit.parts[part]
    pins = list({pin.name: pin for pin in reversed(pads)}.values())[::-1]
    sides = sorted({pin.side for pin in pads if pin.side})
    where = f", {' and '.join(_SIDE_WORDS[side] for side in sides)}" if sides else ""
    lines = [f"part {part}: {count_of(len(pins), 'pin')}{where}"]
    name_width = max(len(pin.name) for pin in pins)
    net_width = max(len(pin.net or _NO_NET) for pin in pins)
    for pin in pins:
        others = _refs(other for other in circuit.nets.get(pin.net, ()) if other.part != part)
        lines.append(f"  {pin.name:<{name_width}}  {pin.net or _NO_NET:<{net_width}}  {_some(others)}".rstrip())
    return _safe(lines)


def draw_pin(netlist: Netlist, part: str, name: str, within_mm: float = NEAR_MM) -> list[str]:
    """A pin: its net, its places, and every pin at most `within_mm` away, nearest first.

    Raises KeyError for an unknown pin.
    """
    circuit = netlist.circuit
    pads = [pin for pin in circuit.parts.get(part, ()) if pin.name == name]
    if not pads:
        raise KeyError(f"{part}.{name}")
    pin = pads[0]
    lines = [f"pin {pin.ref}: {_net_words(pin.net)}, {'; '.join(_place(pad) for pad in pads)}"]
    others = _refs(other for other in circuit.nets.get(pin.net, ()) if other.ref != pin.ref)
    if others:
        lines.append(f"joined to {_some(others, _MOST_WITH_NEIGHBOURS)}")
    near = sorted(nearest(circuit, pads, within_mm), key=lambda item: item.distance_mm)
    if near:
        lines.append(f"within {within_mm:g} mm, centre to centre:")
        width = max(len(other.ref) for other, _ in near)
        for other, distance in near:
            same = " (the same net)" if pin.net and other.net == pin.net else ""
            lines.append(f"  {distance:5.2f} mm  {other.ref:<{width}}  {_net_words(other.net)}{same}")
    elif any(pad.place is not None for pad in pads):
        lines.append(f"no other pin within {within_mm:g} mm")
    return _safe([*lines, probe_line(netlist, pin.net)] if pin.net else lines)


def nearest(circuit: Circuit, pads: Iterable[Pin], within_mm: float = NEAR_MM) -> list[Neighbour]:
    """The neighbours of a pin with several pads: each once, at its least distance."""
    best: dict[Pin, Neighbour] = {}
    for pad in pads:
        for near in circuit.neighbours(pad, within_mm):
            if near.pin not in best or near.distance_mm < best[near.pin].distance_mm:
                best[near.pin] = near
    return list(best.values())


def probe_line(netlist: Netlist, net: str) -> str:
    """Where a probe meets bare metal of a net: the roomiest places first, so that its tip does not slip."""
    places = netlist.touchable.get(net, ())
    if not places:
        return "probe: no bare metal of this net is known"
    room = sorted(((_room(netlist.circuit, place), place) for place in places), key=lambda item: -item[0])
    shown: dict[str, str] = {}
    for free_mm, place in room:
        free = f" ({free_mm:.2f} mm to the next net)" if free_mm < NEAR_MM else ""
        shown.setdefault(_name(place), f"{_name(place)} {_SIDE_WORDS[place.side]}{free}")
    best = list(shown.values())[:_PROBE_PLACES]
    return clean(f"probe: {', '.join(best)}", _LONGEST)


def _pin_rows(circuit: Circuit, pin: Pin, within_mm: float) -> list[str]:
    near = [near for near in circuit.neighbours(pin, within_mm) if near.pin.net != pin.net][:_NEAREST]
    beside = [f"{distance:.2f} mm to {other.ref}, {_net_words(other.net)}" for other, distance in near]
    return [f"{pin.name:<4}  {_place(pin)}", *beside]


def _other_end(circuit: Circuit, part: str, net: str) -> str:
    """For a part with two pins, where its other pin leads."""
    ends = {pin.name: pin for pin in circuit.parts.get(part, ())}
    others = [pin for pin in ends.values() if pin.net != net]
    return f" (on to {_net_words(others[0].net)})" if len(ends) == 2 and others else ""


def _room(circuit: Circuit, place: Pin) -> float:
    """Distance in mm to the nearest pin of another net, as far as it matters to a probe."""
    others = (near.distance_mm for near in circuit.neighbours(place, NEAR_MM) if near.pin.net != place.net)
    return min(others, default=NEAR_MM)


def _bare_words(via: Pin, bare_side: str) -> str:
    if not bare_side:
        return "under solder mask"
    return _SIDE_WORDS[via.side] if bare_side == via.side else f"bare only {_SIDE_WORDS[bare_side]}"


def _name(pin: Pin) -> str:
    return pin.ref if pin.name or pin.part not in ("", "VIA") else f"via at {_xy(pin)}"


def _place(pin: Pin) -> str:
    return f"{_xy(pin)}, {_SIDE_WORDS[pin.side]}"


def _xy(pin: Pin) -> str:
    return "place unknown" if pin.place is None else f"x {pin.place[0]:.2f} y {pin.place[1]:.2f} mm"


def _net_words(net: str) -> str:
    return f"net {net}" if net else _NO_NET


def _refs(pins: Iterable[Pin]) -> list[str]:
    return list(dict.fromkeys(pin.ref for pin in pins))


def _some(refs: Sequence[str], most: int = _PINS_NAMED) -> str:
    shown = ", ".join(refs[:most])
    return shown if len(refs) <= most else f"{shown} and {len(refs) - most} more"


def _safe(lines: Iterable[str]) -> list[str]:
    return [clean(line, _LONGEST) for line in lines]
