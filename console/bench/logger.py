"""What the Tern's program reads back from its parts over joints that may be wrong. Pure.

Every bit is carried: the joints decide the level of a net (`joints`), and each chip acts on the levels at its own pins.
How the chips act (derived from circuits; common practice, no source, where none is named):

1. Flash and FPGA have a weak pull-up of their own on their select pins, as most have: an open select means "not
   selected".
2. A chip that does not understand the command, is not selected, has no supply or is dead leaves its output floating.
3. The FPGA answers from logic that needs its clock; without it the output is driven and stays low.
4. I2C (UM10204 Rev 7 s.3.1): lines are only pulled low; without a pull-up a line that was low stays low. A byte that
   nobody acknowledges ends the transfer.

Not modelled: edges, ringing, clock rates, marginal levels, a chip fed through its inputs.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Final

from console.bench import supplies, tern
from console.bench.joints import Joints, Nets, Pull
from console.bench.tern import CLOCK, CLOCK_SERIES, FLASH, FPGA, MCU, OSCILLATOR

FLASH_ID: Final = bytes.fromhex("5A3114")
"""Maker, kind, size. The first has even parity, which no registered maker's byte has (JEP106: odd parity)."""
FLASH_MARK: Final = bytes.fromhex("C35A")
"""What the maker wrote into the memory's second register; invented, as the memory is."""
FPGA_ID: Final = bytes.fromhex("7E120B31")
CLOCK_REGISTERS: Final[Mapping[int, int]] = {0x0F: 0x3C, 0x11: 0x15, 0x12: 0x40}
CLOCK_ID_REGISTER: Final = 0x0F
TEMPERATURE_REGISTER: Final = 0x11
READ_FLASH_ID: Final = 0x9F
READ_FLASH_MARK: Final = 0x15
READ_FPGA_ID: Final = 0x0F
CLOCK_ADDRESS: Final = 0x68


# --- SPI: mode 0, most significant bit first


class _SpiChip:
    """A chip that answers each of its commands with bytes, over and over from the first."""

    def __init__(self, nets: Nets, part: str, pins: Mapping[str, str], answers: Mapping[int, bytes]) -> None:
        self._nets, self._pins = nets, pins
        self._answers = answers
        self._alive = supplies.lives(nets.joints, part)
        self._clocked = True
        self._was_clock = 0
        self._taken = self._count = 0
        self._out: int | None = None

    def stop_clock(self) -> None:
        """Rule 3."""
        self._clocked = False

    def hold(self) -> None:
        """In reset it drives nothing."""
        self._alive = False

    def act(self) -> bool:
        """Look at the pins and drive the output; returns whether the output changed."""
        was = self._out
        if not self._alive or self._nets.read(self._pins["cs"], Pull.UP):
            self._taken = self._count = 0
            self._out = None
        elif not self._clocked:
            self._out = 0
        else:
            self._edge(self._nets.level(self._pins["sck"]))
        self._nets.drive(self._pins["miso"], self._out)
        return self._out != was

    def _edge(self, clock: int | None) -> None:
        if clock is None or clock == self._was_clock:
            return
        self._was_clock = clock
        if clock and self._count < 8:
            self._taken = self._taken << 1 | self._nets.read(self._pins["mosi"])
            self._count += 1
        elif clock:
            self._count += 1
        elif self._count >= 8 and (answer := self._answers.get(self._taken)):
            at = self._count - 8
            self._out = answer[at // 8 % len(answer)] >> (7 - at % 8) & 1


_CONTROLLER: Final = {"sck": f"{MCU}.15", "miso": f"{MCU}.16", "mosi": f"{MCU}.17"}
_FPGA_PINS: Final = {"mosi": f"{FPGA}.14", "sck": f"{FPGA}.15", "cs": f"{FPGA}.16", "miso": f"{FPGA}.17"}
_FLASH_PINS: Final = {"cs": f"{FLASH}.1", "miso": f"{FLASH}.2", "mosi": f"{FLASH}.5", "sck": f"{FLASH}.6"}
_SELECTS: Final = {FLASH: f"{MCU}.14", FPGA: f"{MCU}.18"}


def _spi(nets: Nets, part: str, command: int, count: int) -> bytes:
    """Select a part, send the command, read `count` bytes."""
    flash = _SpiChip(nets, FLASH, _FLASH_PINS, {READ_FLASH_ID: FLASH_ID, READ_FLASH_MARK: FLASH_MARK})
    fpga = _SpiChip(nets, FPGA, _FPGA_PINS, {READ_FPGA_ID: FPGA_ID})
    if not _fpga_clock(nets):
        fpga.stop_clock()
    if nets.level(f"{FPGA}.8", Pull.UP) == 0:
        fpga.hold()
    chips = (flash, fpga)

    def put(pin: str, level: int) -> None:
        nets.drive(pin, level)
        _settle(chips)

    for select in _SELECTS.values():
        put(select, 1)
    put(_CONTROLLER["sck"], 0)
    put(_SELECTS[part], 0)
    got = 0
    for n in range(8 * (count + 1)):
        put(_CONTROLLER["mosi"], command >> (7 - n) & 1 if n < 8 else 0)
        got = got << 1 | nets.read(_CONTROLLER["miso"], nets.joints.miso_pull)
        put(_CONTROLLER["sck"], 1)
        put(_CONTROLLER["sck"], 0)
    put(_SELECTS[part], 1)
    return (got & ((1 << 8 * count) - 1)).to_bytes(count)


def _settle(chips: Iterable[_SpiChip]) -> None:
    """Until no output changes any more; a loop through a bridge that never rests is cut off."""
    for _ in range(8):
        changed = [chip.act() for chip in chips]  # all of them, not only up to the first
        if not any(changed):
            return


def _fpga_clock(nets: Nets) -> bool:
    """Oscillator, its way through the series resistor, and the FPGA's pin."""
    if not supplies.lives(nets.joints, OSCILLATOR) or CLOCK_SERIES in nets.joints.dead:
        return False
    way = ((f"{OSCILLATOR}.3", f"{CLOCK_SERIES}.1"), (f"{CLOCK_SERIES}.2", f"{FPGA}.20"))
    free = all(nets.level(pin) is None for pair in way for pin in pair)
    return free and all(nets.joined(a, b) for a, b in way)


# --- I2C (UM10204 Rev 7 s.3.1)

_SCL, _SDA = f"{MCU}.42", f"{MCU}.43"


class _Bus:
    """The controller's side of I2C, one bit at a time, with one chip listening at its own pins."""

    def __init__(self, nets: Nets) -> None:
        self._nets = nets
        self._chip = _ClockChip(nets)

    def _line(self, pin: str, release: int) -> int:
        """Pull low or let go; returns the level that comes. A line without a pull-up stays low (rule 4)."""
        self._nets.drive(pin, None if release else 0)
        self._chip.act()
        level = self._nets.level(pin)
        return 0 if level is None else level

    def free(self) -> bool:
        """Whether both lines rise when nobody pulls."""
        return bool(self._line(_SDA, 1) and self._line(_SCL, 1))

    def start(self) -> None:
        for pin, release in ((_SDA, 1), (_SCL, 1), (_SDA, 0), (_SCL, 0)):
            self._line(pin, release)

    def stop(self) -> None:
        for pin, release in ((_SDA, 0), (_SCL, 1), (_SDA, 1)):
            self._line(pin, release)

    def bit(self, release: int) -> int:
        """One clock: the bit on the line while the clock is high."""
        self._line(_SDA, release)
        self._line(_SCL, 1)
        level = self._nets.level(_SDA)
        self._line(_SCL, 0)
        return 0 if level is None else level

    def write(self, value: int) -> bool:
        """A byte; whether somebody acknowledged."""
        for n in range(8):
            self.bit(value >> (7 - n) & 1)
        return self.bit(1) == 0

    def read(self, *, last: bool) -> int:
        """A byte, acknowledged unless it is the last."""
        value = 0
        for _ in range(8):
            value = value << 1 | self.bit(1)
        self.bit(int(last))
        return value


class _ClockChip:
    """The clock chip: acts on edges at its own two pins."""

    def __init__(self, nets: Nets) -> None:
        self._nets, self._alive = nets, supplies.lives(nets.joints, CLOCK)
        self._sda = self._scl = 1
        self._bits: list[int] = []
        self._addressed: bool | None = None
        self._reads = False
        self._register = 0
        self._pulls = False
        self._written = 0

    def act(self) -> None:
        """Look at both pins."""
        if not self._alive:
            return
        # an input that nothing drives shows no edges
        seen = (self._nets.level(f"{CLOCK}.5"), self._nets.level(f"{CLOCK}.6"))
        sda, scl = (was if now is None else now for was, now in zip((self._sda, self._scl), seen, strict=True))
        if scl and self._scl and sda != self._sda:
            self._begin() if not sda else self._end()
        elif scl and not self._scl:
            self._bits.append(sda)
        elif self._scl and not scl:
            self._next()
        self._sda, self._scl = sda, scl
        self._nets.drive(f"{CLOCK}.5", 0 if self._pulls else None)

    def _begin(self) -> None:
        self._bits, self._addressed, self._reads, self._pulls, self._written = [], None, False, False, 0

    def _end(self) -> None:
        self._addressed, self._pulls = False, False

    def _next(self) -> None:
        """The clock fell: the next bit of ours goes out, or an acknowledge."""
        count = len(self._bits)
        self._pulls = False
        if self._addressed is False:
            return
        if count == 8 and not (self._addressed and self._reads):
            self._pulls = self._take(int("".join(map(str, self._bits)), 2))
            if not self._pulls:
                self._addressed = False
        elif count == 9:
            more = not (self._addressed and self._reads and self._written and self._bits[8])
            self._bits = []
            if self._addressed and self._reads and more:
                self._give(0)
            elif not more:
                self._addressed = False
        elif self._addressed and self._reads and count < 8:
            self._give(count)

    def _take(self, value: int) -> bool:
        if self._addressed is None:
            self._addressed, self._reads = value >> 1 == CLOCK_ADDRESS, bool(value & 1)
            return self._addressed
        self._register = value
        return True

    def _give(self, bit: int) -> None:
        self._written += 1
        value = CLOCK_REGISTERS.get(self._register, 0)
        self._pulls = not value >> (7 - bit) & 1
        if bit == 7:
            self._register += 1


def _i2c(nets: Nets, register: int, count: int) -> bytes | None:
    """`count` registers of the clock chip; None where nobody acknowledges or the bus is not free."""
    bus = _Bus(nets)
    if not bus.free():
        return None
    bus.start()
    if not (bus.write(CLOCK_ADDRESS << 1) and bus.write(register)):
        bus.stop()
        return None
    bus.start()
    if not bus.write(CLOCK_ADDRESS << 1 | 1):
        bus.stop()
        return None
    data = bytes(bus.read(last=n == count - 1) for n in range(count))
    bus.stop()
    return data


# --- the program's queries


class Logger:
    """The program on the controller: one query line in, one answer line out."""

    def __init__(self, joints: Joints | None = None) -> None:
        self._joints = joints or Joints()
        self._readings = 0

    def _nets(self) -> Nets:
        self._readings += 1
        seed = self._joints.seed * 1_000_003 + self._readings  # noise differs from reading to reading
        nets = Nets(replace(self._joints.drawn(random.Random(seed)), seed=seed))
        for pin, level in tern.DRIVEN.items():
            nets.drive(pin, level)
        return nets

    def flash_id(self) -> bytes:
        """The memory's three bytes."""
        return _spi(self._nets(), FLASH, READ_FLASH_ID, len(FLASH_ID))

    def flash_mark(self) -> bytes:
        """The memory's second register: two bytes."""
        return _spi(self._nets(), FLASH, READ_FLASH_MARK, len(FLASH_MARK))

    def fpga_id(self) -> bytes:
        """The FPGA's four bytes."""
        return _spi(self._nets(), FPGA, READ_FPGA_ID, len(FPGA_ID))

    def clock_id(self) -> bytes | None:
        """The clock chip's identification register."""
        return _i2c(self._nets(), CLOCK_ID_REGISTER, 1)

    def temperature(self) -> bytes | None:
        """The clock chip's thermometer: whole degrees, then quarters in the top two bits."""
        return _i2c(self._nets(), TEMPERATURE_REGISTER, 2)

    def answer(self, line: str) -> str:
        """The answer to one query, without line ends. Unknown queries are answered too."""
        queries: dict[str, Callable[[], bytes | None]] = {
            "id fpga?": self.fpga_id,
            "id memory?": self.flash_id,
            "mark memory?": self.flash_mark,
            "id clock?": self.clock_id,
            "temperature?": self.temperature,
        }
        word = line.strip()
        if word == "who?":
            return "tern: logger, program 1"
        if word not in queries:
            return "tern: what?"
        found = queries[word]()
        name = word.removeprefix("id ").removesuffix("?")
        return f"{name}: {'no answer' if found is None else found.hex(' ').upper()}"
