"""Flaws with parameters: `name:key=value,key=value`, for the command line and the control connection.

A flaw adds to what is staged. Places and counts begin at 1 with the moment the flaw is staged. Everything that is drawn
by chance is drawn from the `seed` given, so that the same flaw on the same bytes does the same again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Final, TypeAlias

from console.bench import tern
from console.bench.joints import Pull
from console.bench.setup import LineFlaw, Setup, Way, What
from console.errors import UsageTrouble
from console.text import clean
from protocols.an3155.flaws import StuckBit

Values: TypeAlias = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Spoil:
    """One kind of flaw: words, its parameters with what they are when left out, and what it does to a setup."""

    title: str
    parameters: Values
    apply: Callable[[Setup, Values], Setup]


# keys whose values are words, and which
_WORDS: Final[Mapping[str, Collection[str]]] = {
    "way": tuple(map(str, Way)),
    "pull": tuple(map(str, Pull)),
    "pin": tern.PINS,
    "a": tern.PINS,
    "b": tern.PINS,
    "part": tern.PARTS,
}
_MOST: Final = 0xFFFF_FFFF


def _chip(**how: Callable[[Values], Any]) -> Callable[[Setup, Values], Setup]:
    def apply(setup: Setup, values: Values) -> Setup:
        more: dict[str, Any] = {key: make(values) for key, make in how.items()}
        return replace(setup, flaws=replace(setup.flaws, **more))

    return apply


def _also(name: str, make: Callable[[Values], Any]) -> Callable[[Setup, Values], Setup]:
    def apply(setup: Setup, values: Values) -> Setup:
        more: dict[str, Any] = {name: (*getattr(setup.flaws, name), make(values))}
        return replace(setup, flaws=replace(setup.flaws, **more))

    return apply


def _joint(name: str, make: Callable[[Values], Any]) -> Callable[[Setup, Values], Setup]:
    def apply(setup: Setup, values: Values) -> Setup:
        more: dict[str, Any] = {name: (*getattr(setup.joints, name), make(values))}
        return replace(setup, joints=replace(setup.joints, **more))

    return apply


def _pulled(setup: Setup, values: Values) -> Setup:
    return replace(setup, joints=replace(setup.joints, miso_pull=Pull(values["pull"])))


def _line(what: What) -> Callable[[Setup, Values], Setup]:
    def apply(setup: Setup, values: Values) -> Setup:
        flaw = LineFlaw(what, Way(values["way"]), values["place"], values.get("mask", 0))
        return replace(setup, line_flaws=(*setup.line_flaws, flaw))

    return apply


_PLACE: Final = MappingProxyType({"way": "to-board", "place": 1})
SPOILS: Final[Mapping[str, Spoil]] = MappingProxyType(
    {
        "stuck-bit": Spoil(
            "a bit of the flash always reads as one level",
            {"address": 0x0800_0400, "bit": 3, "level": 0},
            _also("stuck_bits", lambda v: StuckBit(v["address"], v["bit"] % 8, v["level"] % 2)),
        ),
        "stubborn-page": Spoil(
            "a page of the flash keeps what it holds through an erase",
            {"page": 1},
            _also("stubborn_pages", lambda v: v["page"]),
        ),
        "locked-sector": Spoil(
            "a sector is write protected: acknowledged and unchanged",
            {"sector": 0},
            _also("locked_sectors", lambda v: v["sector"]),
        ),
        "nack-command": Spoil("a command is refused", {"at": 3}, _chip(nack_at=lambda v: v["at"])),
        "stall-command": Spoil(
            "a command is never answered, until a reset", {"at": 3}, _chip(stall_at=lambda v: v["at"])
        ),
        "late-ack": Spoil(
            "an acknowledge comes late",
            {"at": 3, "ms": 500},
            _chip(late_at=lambda v: v["at"], late_s=lambda v: v["ms"] / 1000),
        ),
        "power-fails": Spoil(
            "the supply goes during an erase or write of the flash and leaves it half done",
            {"at": 1, "seed": 7},
            _chip(power_fails_at=lambda v: v["at"], seed=lambda v: v["seed"]),
        ),
        "open-pin": Spoil("a pin is not soldered", {"pin": "U6.2"}, _joint("opens", lambda v: v["pin"])),
        "bridge-pins": Spoil(
            "solder joins two pins", {"a": "U6.1", "b": "U6.2"}, _joint("bridges", lambda v: (v["a"], v["b"]))
        ),
        "shaky-pin": Spoil("a joint comes and goes", {"pin": "U4.30"}, _joint("shaky", lambda v: v["pin"])),
        "dead-part": Spoil("a part does nothing", {"part": "Y1"}, _joint("dead", lambda v: v["part"])),
        "bus-pull": Spoil("how the chip pulls the line it reads data from", {"pull": "none"}, _pulled),
        "drop-byte": Spoil("a byte is lost on the way", _PLACE, _line(What.DROP)),
        "corrupt-byte": Spoil(
            "bits of a byte are turned over on the way", {**_PLACE, "mask": 0x10}, _line(What.CORRUPT)
        ),
        "reset-at": Spoil("the chip is reset when a byte has passed", _PLACE, _line(What.RESET)),
        "vanish-at": Spoil("the port vanishes when a byte has passed", _PLACE, _line(What.VANISH)),
    }
)


def is_spoil(text: str) -> bool:
    """Whether `text` names one of the flaws here."""
    return text.partition(":")[0] in SPOILS


def spoiled(setup: Setup, text: str) -> Setup:
    """`setup` with the flaw that `text` names. Raises UsageTrouble `flaw` naming what would be right."""
    name, _, rest = text.partition(":")
    if name not in SPOILS:
        raise UsageTrouble("flaw", f"there is no flaw {clean(name, 40)!r}", help=f"choose one of: {', '.join(SPOILS)}")
    kind = SPOILS[name]
    values = dict(kind.parameters)
    for part in filter(None, rest.split(",")):
        key, _, value = part.partition("=")
        if key not in values:
            raise UsageTrouble(
                "flaw", f"{name} has no {clean(key, 40)!r}", help=f"it has: {', '.join(map(_shown, values.items()))}"
            )
        values[key] = _value(name, key, value)
    return kind.apply(setup, values)


def listed() -> dict[str, str]:
    """Every flaw with its parameters, and what it is."""
    return {
        f"{name}:{','.join(map(_shown, kind.parameters.items()))}": kind.title for name, kind in SPOILS.items()
    }  # fmt: skip


def _shown(item: tuple[str, Any]) -> str:
    key, value = item
    return f"{key}=0x{value:08X}" if key == "address" else f"{key}={value}"


def _value(name: str, key: str, text: str) -> int | str:
    if key in _WORDS:
        if text in _WORDS[key]:
            return text
        known = _pins_like(text) if _WORDS[key] is tern.PINS else ", ".join(sorted(_WORDS[key]))
        raise UsageTrouble("flaw", f"{name}: {clean(text, 40)!r} is no {key}", help=f"give one of: {known}")
    try:
        value = int(text, 0)
    except ValueError:
        value = -1
    if not 0 <= value <= _MOST or (key in ("place", "at") and value == 0):
        least = 1 if key in ("place", "at") else 0
        raise UsageTrouble(
            "flaw", f"{name}, {key}: {clean(text, 40)!r} is no number that fits", help=f"give a number from {least}"
        )
    return value


def _pins_like(text: str) -> str:
    """The pins of the part that was meant; those of the whole board would be a wall of words."""
    part = text.partition(".")[0]
    if part not in tern.PARTS:
        return f"a pin such as U6.2, of one of the parts {', '.join(sorted(tern.PARTS))}"
    return ", ".join(sorted((pin for pin in tern.PINS if pin.startswith(f"{part}.")), key=lambda pin: (len(pin), pin)))
