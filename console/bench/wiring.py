"""Who drives which wire, and what each receiver hears. Pure; knows nothing of bytes, time or chips.

The pads, from the adapter to the chip:

    adapter TX ──┐      ┌── header RX ──[series resistor, joint]── pin RX   (crossed; swapped when not)
    adapter RX ──┘      └── header TX ──[series resistor, joint]── pin TX

Rules (levels are decided, not calculated; common practice, no source, where none is named):

1. Idle is high; a push-pull output drives both levels (Rohde & Schwarz, "Understanding UART").
2. The strongest driver of a net decides its level: a short to ground or rail, then an output, then an output or clamp
   behind the series resistor, then a pull-up. So a fight of adapter TX and board TX is won by the adapter.
3. Among equals low wins; both are heard.
4. An unpowered chip clamps its pin to its dead rail through the protection diode (TI, "Back powering"), which is
   stronger than a pull-up.
5. Inputs drive nothing. The adapter's RX has a pull-up, the chip's RX pin has one too while it is powered.
6. Without a common ground nothing is reliable in either direction.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, IntEnum, StrEnum
from typing import Final


class Joint(StrEnum):
    """State of one solder joint."""

    GOOD = "good"
    OPEN = "open"
    INTERMITTENT = "intermittent"


class Stuck(StrEnum):
    """What a header pad is shorted to."""

    NO = "no"
    LOW = "low"
    HIGH = "high"


class Level(Enum):
    """Steady level of a net while every output idles."""

    LOW = 0
    HIGH = 1
    FLOATING = 2


class Source(Enum):
    """Who can put characters on a net."""

    HOST = "host"
    BOARD = "board"


class Strength(IntEnum):
    """Rule 2."""

    PULL = 1
    SERIES = 2
    OUTPUT = 3
    SHORT = 4


@dataclass(frozen=True, slots=True)
class Wiring:
    """The electrical state of adapter, cable and board."""

    crossed: bool = True
    ground: bool = True
    powered: bool = True
    tx_joint: Joint = Joint.GOOD
    rx_joint: Joint = Joint.GOOD
    tx_stuck: Stuck = Stuck.NO
    rx_stuck: Stuck = Stuck.NO
    bridged: bool = False
    loop_back: bool = False
    connected: bool = True
    adapter_pull_up: bool = True


@dataclass(frozen=True, slots=True)
class Heard:
    """What reaches a receiver: whose characters, the level while all are idle, and whether it can be trusted."""

    sources: frozenset[Source]
    level: Level
    intermittent: bool = False
    reliable: bool = True


@dataclass(frozen=True, slots=True)
class _Driver:
    strength: Strength
    level: Level
    source: Source | None = None
    intermittent: bool = False


def host_hears(wiring: Wiring) -> Heard:
    """What arrives at the adapter's RX."""
    return _decide(_on_net(wiring, "adapter RX"), reliable=wiring.ground or wiring.loop_back)


def board_hears(wiring: Wiring) -> Heard:
    """What arrives at the chip's RX pin (an unpowered chip hears nothing, whatever the level)."""
    if wiring.rx_joint is Joint.OPEN:
        return _decide(_at_pin_rx(wiring), reliable=True)
    heard = _decide(_on_net(wiring, "header RX"), reliable=wiring.ground)
    shaky = heard.intermittent or wiring.rx_joint is Joint.INTERMITTENT
    return Heard(heard.sources, heard.level, shaky, heard.reliable)


def _decide(drivers: list[_Driver], *, reliable: bool) -> Heard:
    """Rules 2 and 3."""
    if not drivers:
        return Heard(frozenset(), Level.FLOATING, reliable=reliable)
    best = max(driver.strength for driver in drivers)
    winners = [driver for driver in drivers if driver.strength == best]
    level = Level.LOW if any(driver.level is Level.LOW for driver in winners) else Level.HIGH
    # nothing shows on a line that somebody holds low
    talkers = [driver for driver in winners if driver.source is not None and level is Level.HIGH]
    return Heard(
        frozenset(driver.source for driver in talkers if driver.source is not None),
        level,
        any(driver.intermittent for driver in talkers),
        reliable,
    )


def _on_net(wiring: Wiring, pad: str) -> list[_Driver]:
    """Every driver of the net of `pad`, which is one on the cable's side of the series resistors."""
    joined = _joins(wiring)
    net = {pad}
    while more := {there for pair in joined if net & set(pair) for there in pair} - net:
        net |= more
    found: list[_Driver] = []
    if "adapter TX" in net:
        found.append(_Driver(Strength.OUTPUT, Level.HIGH, Source.HOST))
    if "adapter RX" in net and wiring.adapter_pull_up:
        found.append(_Driver(Strength.PULL, Level.HIGH))
    for header, stuck, joint, pin in (
        ("header TX", wiring.tx_stuck, wiring.tx_joint, _at_pin_tx(wiring)),
        ("header RX", wiring.rx_stuck, wiring.rx_joint, _at_pin_rx(wiring)),
    ):
        if header not in net:
            continue
        if stuck is not Stuck.NO:
            found.append(_Driver(Strength.SHORT, Level.LOW if stuck is Stuck.LOW else Level.HIGH))
        if joint is not Joint.OPEN:
            shaky = joint is Joint.INTERMITTENT
            found += [_Driver(min(d.strength, Strength.SERIES), d.level, d.source, shaky) for d in pin]
    return found


def _joins(wiring: Wiring) -> list[tuple[str, str]]:
    if wiring.loop_back:
        joined = [("adapter TX", "adapter RX")]  # the jumper sits at the adapter, the cable is off
    elif not wiring.connected:
        joined = []  # the cable's end is open
    elif wiring.crossed:
        joined = [("adapter TX", "header RX"), ("adapter RX", "header TX")]
    else:
        joined = [("adapter TX", "header TX"), ("adapter RX", "header RX")]
    return [*joined, ("header TX", "header RX")] if wiring.bridged else joined


def _at_pin_tx(wiring: Wiring) -> list[_Driver]:
    return [_Driver(Strength.OUTPUT, Level.HIGH, Source.BOARD)] if wiring.powered else [_CLAMP]


def _at_pin_rx(wiring: Wiring) -> list[_Driver]:
    return [_Driver(Strength.PULL, Level.HIGH)] if wiring.powered else [_CLAMP]


_CLAMP: Final = _Driver(Strength.SERIES, Level.LOW)
