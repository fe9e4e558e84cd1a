"""Who drives which wire, and what each receiver hears. Pure; knows nothing of bytes, time or chips.

The pads, from the adapter to the chip:

    adapter TX ──┐      ┌── header RX ──[series resistor, joint]── pin RX   (crossed; swapped when not)
    adapter RX ──┘      └── header TX ──[series resistor, joint]── pin TX

Rules (levels are decided, not calculated; common practice, no source, where none is named):

1. Idle is high; a push-pull output drives both levels (Rohde & Schwarz, "Understanding UART").
2. The strongest driver of a net decides its level: a short to ground or rail, then an output, then whatever drives
   behind the series resistor (shorts are at the pins), then a pull-up. So a fight of adapter TX and board TX is won by
   the adapter.
3. Among equals low wins; both are heard.
4. An unpowered chip clamps its pin to its dead rail through the protection diode (TI, "Back powering"), which is
   stronger than a pull-up.
5. Inputs drive nothing. The adapter's RX has a pull-up, the chip's RX pin has one too while it is powered.
6. Without a common ground nothing is reliable in either direction.
7. A chip that is missing drives nothing and clamps nothing; so does one that is dead or has no clock, while its rail is
   up: its outputs were never switched on.
8. A high of the board below the adapter's threshold is read as high only now and then (TTL input levels: 2.0 V).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum, IntEnum, StrEnum
from typing import Final


class Joint(StrEnum):
    """State of one solder joint."""

    GOOD = "good"
    OPEN = "open"
    INTERMITTENT = "intermittent"


class Stuck(StrEnum):
    """What a pin of the chip is shorted to."""

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


class Adapter(StrEnum):
    """State of the adapter."""

    GOOD = "good"
    DEAD = "dead"  # the port is there, its line driver is not
    NO_CLOCK = "no-clock"  # it cannot talk to the computer: no port
    ABSENT = "absent"  # a charge-only cable: no port and nothing said

    @property
    def enumerates(self) -> bool:
        """Whether the computer sees a port."""
        return self in (Adapter.GOOD, Adapter.DEAD)


class Fitted(StrEnum):
    """State of the chip on its footprint."""

    GOOD = "good"
    DEAD = "dead"
    MISSING = "missing"


# TTL input levels, as in the electrical characteristics of 3.3 V logic (EIA/JEDEC JESD8C: VIH 2.0 V, VIL 0.8 V)
INPUT_HIGH_V: Final = 2.0
INPUT_LOW_V: Final = 0.8


@dataclass(frozen=True, slots=True)
class Wiring:
    """The electrical state of adapter, cable and board.

    `attached` False: the port that was chosen leads to another adapter with nothing on it. `clocked` False: the
    oscillator the chip runs on does not swing. `reset_held`: something keeps its reset pin low. `board_v` is the
    board's rail while it is up, `adapter_v` the adapter's level, both in volts.
    """

    adapter: Adapter = Adapter.GOOD
    attached: bool = True
    crossed: bool = True
    ground: bool = True
    powered: bool = True
    supply_shorted: bool = False
    board_v: float = 3.3
    chip: Fitted = Fitted.GOOD
    clocked: bool = True
    reset_held: bool = False
    adapter_v: float = 3.3
    tx_joint: Joint = Joint.GOOD
    rx_joint: Joint = Joint.GOOD
    tx_stuck: Stuck = Stuck.NO
    rx_stuck: Stuck = Stuck.NO
    bridged: bool = False
    loop_back: bool = False
    connected: bool = True
    adapter_pull_up: bool = True

    @property
    def rail_up(self) -> bool:
        """Whether the board's rail has its voltage."""
        return self.powered and not self.supply_shorted

    @property
    def high_reaches(self) -> bool:
        """Whether a high of the board is above the adapter's threshold."""
        # JESD8C for 3.3 V; 0.65 of the supply below it, as in JESD8-7A for 1.8 V
        return self.board_v >= (INPUT_HIGH_V if self.adapter_v >= 2.7 else 0.65 * self.adapter_v)

    @property
    def runs(self) -> bool:
        """Whether the chip executes anything."""
        return self.rail_up and self.chip is Fitted.GOOD and self.clocked and not self.reset_held


@dataclass(frozen=True, slots=True)
class Heard:
    """What reaches a receiver: whose characters, the level while all are idle, and whether it can be trusted."""

    sources: frozenset[Source]
    level: Level
    intermittent: bool = False
    reliable: bool = True
    marginal: bool = False


@dataclass(frozen=True, slots=True)
class _Driver:
    strength: Strength
    level: Level
    source: Source | None = None
    intermittent: bool = False


def host_hears(wiring: Wiring) -> Heard:
    """What arrives at the adapter's RX."""
    if wiring.adapter is not Adapter.GOOD or not wiring.attached:
        return Heard(frozenset(), Level.HIGH if wiring.adapter_pull_up else Level.FLOATING)
    heard = _decide(_on_net(wiring, "adapter RX"), reliable=wiring.ground or wiring.loop_back)
    return replace(heard, marginal=Source.BOARD in heard.sources and not wiring.high_reaches)


def board_hears(wiring: Wiring) -> Heard:
    """What arrives at the chip's RX pin (a chip that does not run hears nothing, whatever the level)."""
    if wiring.rx_joint is Joint.OPEN or wiring.rx_stuck is not Stuck.NO:
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
    if "adapter TX" in net and wiring.adapter is Adapter.GOOD:
        found.append(_Driver(Strength.OUTPUT, Level.HIGH, Source.HOST if wiring.attached else None))
    if "adapter RX" in net and wiring.adapter_pull_up:
        found.append(_Driver(Strength.PULL, Level.HIGH))
    for header, joint, pin in (
        ("header TX", wiring.tx_joint, _at_pin_tx(wiring)),
        ("header RX", wiring.rx_joint, _at_pin_rx(wiring)),
    ):
        if header in net and joint is not Joint.OPEN:
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
    if wiring.tx_stuck is not Stuck.NO:
        return _short(wiring.tx_stuck, wiring)
    return [_Driver(Strength.OUTPUT, Level.HIGH, Source.BOARD)] if wiring.runs else _at_rest(wiring)


def _at_pin_rx(wiring: Wiring) -> list[_Driver]:
    if wiring.rx_stuck is not Stuck.NO:
        return _short(wiring.rx_stuck, wiring)
    return [_Driver(Strength.PULL, Level.HIGH)] if wiring.runs else _at_rest(wiring)


def _short(stuck: Stuck, wiring: Wiring) -> list[_Driver]:
    """To ground, or to the rail whatever it is at."""
    high = stuck is Stuck.HIGH and wiring.rail_up
    return [_Driver(Strength.SHORT, Level.HIGH if high else Level.LOW)]


def _at_rest(wiring: Wiring) -> list[_Driver]:
    """Rules 4 and 7."""
    return [] if wiring.rail_up or wiring.chip is Fitted.MISSING else [_CLAMP]


_CLAMP: Final = _Driver(Strength.SERIES, Level.LOW)
