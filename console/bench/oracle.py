"""The simulated operator: what each check shows on the staged board, from its wiring, meter readings or a trial run.

Nothing here knows which fault was staged: readings come from `circuit`, trials from a board of the same setup on which
the change is made and the sync sent. Ids of checks and of their outcomes are those of the workshop's list.

Limits: a probe never slips and touches the right pad; a joint that comes and goes touches while it is measured and
under the stick; through a magnifier bridges and a missing chip are seen, a cracked joint is not; the spare adapter and
the golden board are good ones; a new adapter's port is taken when it is seen to come.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from console.bench import circuit, consequences, hands
from console.bench.board import Board
from console.bench.chips import PRODUCTS
from console.bench.consequences import wired
from console.bench.setup import Chatter, Firmware, Mode, Setup
from console.bench.wiring import Adapter, Fitted, Joint, Source, Stuck, Wiring, host_hears
from console.errors import UsageTrouble
from console.text import clean
from protocols.an3155.frames import ACK, SYNC, Opcode
from protocols.uart import EIGHT_E_ONE, EIGHT_N_ONE, Frame

# reading bands: a rail within 5 %, a signal low below the input threshold and high from 0.8 of the rail: common
# practice, no source; a short is below 10 ohm, the limit of many continuity testers
RAIL_V: Final = (3.135, 3.465)
HIGH_SHARE: Final = 0.8
SAME_V: Final = 0.3
SHORT_OHM: Final = 10.0
IN_VAIN: Final = "silent"
"""The outcome of a trial that did not help."""
_LOWER_RATES: Final = (57600.0, 9600.0)
_FRAMES: Final = (EIGHT_E_ONE, EIGHT_N_ONE)
_PATIENCE_S: Final = 5.0
_GET: Final = bytes((Opcode.GET, Opcode.GET ^ 0xFF))


class Reading(NamedTuple):
    """What a meter showed: `value` in `unit` (V, ohm, A); None = overload."""

    place: str
    value: float | None
    unit: str

    def __str__(self) -> str:
        return f"{self.place}: {'overload' if self.value is None else f'{self.value:.3g} {self.unit}'}"


@dataclass(frozen=True, slots=True)
class Finding:
    """The outcome of a check, and the readings behind it."""

    outcome: str
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class Staged:
    """The board as it stands when the operator looks: its setup, what the chip does, how the host speaks to it."""

    setup: Setup
    mode: Mode
    baud: float = 115200.0
    frame: Frame = EIGHT_E_ONE

    @property
    def wiring(self) -> Wiring:
        """What meters and receivers meet: the wiring with what the joints of the board make of it."""
        return wired(self.setup)


def answer(staged: Staged, check: str) -> Finding:
    """What `check` shows. Raises UsageTrouble `bench-check` for one that this bench cannot do."""
    if check not in _CHECKS:
        raise UsageTrouble(
            "bench-check", f"the bench cannot do {clean(check, 20)!r}", help=f"choose one of: {', '.join(_CHECKS)}"
        )
    return _CHECKS[check](staged)


def wakes(staged: Staged, *, starts: bool = False) -> bool:
    """Whether a board in this state answers a host at this rate and frame, sync and first command; nothing is changed.

    `starts`: the chip is started first, so that the strap decides. A chip that is not in its ROM stays where it is.
    """
    if not staged.wiring.adapter.enumerates:
        return False
    board = Board(replace(staged.setup, in_loader=starts or staged.mode is Mode.ROM, chatter=Chatter.NONE))
    board.baud = staged.baud
    board.set_frame(staged.frame)
    synchronised = False
    for again in range(4):
        at = 10.0 + again * _PATIENCE_S
        board.due(at)
        if not synchronised:
            board.host_writes(bytes((SYNC,)), at)
            synchronised = board.due(at + 1)[-1:] == bytes((ACK,))
        if synchronised:
            board.host_writes(_GET, at + 1)
            got = board.due(at + 2)
            if got[:1] == bytes((ACK,)) == got[-1:] and len(got) > 2:
                return True
    return False


# --- the checks, in the order of the list


def _replug(staged: Staged) -> Finding:
    if not staged.wiring.adapter.enumerates:
        return Finding("none")
    return Finding("right-port" if staged.wiring.attached else "other-port")


def _loopback(staged: Staged) -> Finding:
    looped = replace(staged.wiring, loop_back=True)
    return Finding("echoes" if Source.HOST in host_hears(looped).sources else "nothing")


def _echo_without_board(staged: Staged) -> Finding:
    return Finding("gone")  # adapter and cable have no bridge of their own here


def _ground_ohms(staged: Staged) -> Finding:
    joined = staged.wiring.ground
    reading = Reading("adapter ground to board ground", circuit.WIRE_OHM if joined else None, "ohm")
    return Finding("joined" if joined else "open", (reading,))


def _ground_volts(staged: Staged) -> Finding:
    # both sides run from cells and a computer's USB: nothing lifts one above the other
    return Finding("near-zero", (Reading("between the grounds", 0.0, "V"),))


def _volts(staged: Staged, *, sends_low: bool = False) -> dict[str, float]:
    return circuit.volts(staged.wiring, sends_low=sends_low, drives_tx=staged.mode is Mode.ROM)


def _read(volts: Mapping[str, float], *places: str) -> tuple[Reading, ...]:
    return tuple(Reading(place, round(volts.get(place, 0.0), 3), "V") for place in places)


def _rail(staged: Staged) -> Finding:
    volts = _volts(staged)
    nominal = staged.setup.wiring.board_v  # a 1.8 V board is in range at 1.8 V
    low, high = (limit / 3.3 * nominal for limit in RAIL_V)
    good = low <= volts[circuit.RAIL] <= high
    return Finding("in-range" if good else "out-of-range", _read(volts, circuit.RAIL))


def _high(volts: float, staged: Staged) -> bool:
    return volts >= HIGH_SHARE * min(staged.wiring.board_v, staged.wiring.adapter_v)


def _tx_pin(staged: Staged) -> Finding:
    # "chip held in its loader": the pin is an output then, if the chip runs at all
    volts = circuit.volts(staged.wiring)
    at = volts.get(circuit.PIN_TX, 0.0)
    word = "near-rail" if _high(at, staged) else "low" if at < 0.8 else "middle"
    return Finding(word, _read(volts, circuit.PIN_TX))


def _tx_header(staged: Staged) -> Finding:
    volts = circuit.volts(replace(staged.wiring, attached=False))  # the adapter's wire is off
    pin, header = (volts.get(place, 0.0) for place in (circuit.PIN_TX, circuit.HEADER_TX))
    readings = _read(volts, circuit.PIN_TX, circuit.HEADER_TX)
    return Finding("as-at-pin" if abs(pin - header) < SAME_V else "differs", readings)


def _rx_both(staged: Staged) -> Finding:
    volts = _volts(staged)
    header, pin = (_high(volts.get(place, 0.0), staged) for place in (circuit.HEADER_RX, circuit.PIN_RX))
    word = "both-high" if header and pin else "header-only" if header else "both-low"
    return Finding(word, _read(volts, circuit.HEADER_RX, circuit.PIN_RX))


def _average(staged: Staged) -> Finding:
    """55 is half ones and half zeros, so that a meter shows the mean of both levels."""
    high, low = _volts(staged), _volts(staged, sends_low=True)
    mean = {place: (high.get(place, 0.0) + low.get(place, 0.0)) / 2 for place in high}
    swing = {place: high.get(place, 0.0) - low.get(place, 0.0) for place in high}
    moves = [
        swing.get(place, 0.0) > HIGH_SHARE * staged.wiring.adapter_v / 2
        for place in (circuit.HEADER_RX, circuit.PIN_RX)
    ]
    word = "half-at-both" if all(moves) else "header-only" if moves[0] else "neither"
    return Finding(word, _read(mean, circuit.HEADER_RX, circuit.PIN_RX))


def _reset_pin(staged: Staged) -> Finding:
    high = staged.wiring.rail_up and not staged.wiring.reset_held
    volts = 0.0 if staged.wiring.reset_held else _volts(staged)[circuit.RAIL]  # its pull-up follows the rail
    return Finding("high" if high else "low", (Reading("reset pin", round(volts, 3), "V"),))


def _strap(staged: Staged) -> Finding:
    boots = consequences.boots(staged.setup)
    high = boots and staged.wiring.rail_up
    volts = _volts(staged)[circuit.RAIL] if boots else 0.0
    return Finding("boot-level" if high else "other-level", (Reading("strap pin", round(volts, 3), "V"),))


def _trial(step: str) -> Callable[[Staged], Finding]:
    def run(staged: Staged) -> Finding:
        done = replace(staged, setup=hands.after(staged.setup, step))
        return Finding("answers" if wakes(done, starts=hands.REPAIRS[step][1]) else IN_VAIN)

    return run


def _other_settings(staged: Staged) -> Finding:
    """Reset between the tries: a rate once measured stays (AN2606 Rev 70 s.101.2). A loader in its ROM is meant."""
    if staged.mode is Mode.ROM and not wakes(staged):
        for rate in _LOWER_RATES:
            if wakes(replace(staged, baud=rate)):
                return Finding("lower-rate")
        for frame in _FRAMES:
            if frame != staged.frame and not staged.setup.frame_pinned and wakes(replace(staged, frame=frame)):
                return Finding("other-frame")
    return Finding(IN_VAIN)


def _listen(staged: Staged) -> Finding:
    """Five seconds after a reset, at the rate at which it reads best."""
    board = Board(replace(staged.setup, in_loader=True, chatter=Chatter.NONE))
    board.opened(0.0)
    board.due(0.5)  # a line low at opening is no byte
    talks = board.mode is Mode.APPLICATION and staged.setup.firmware is not Firmware.BLANK
    heard = board.due(5.0) if talks else b""
    if not heard:
        return Finding("nothing")
    return Finding(
        "text" if sum(0x20 <= byte < 0x7F or byte in b"\r\n" for byte in heard) > 0.9 * len(heard) else "bytes"
    )


def _shorts(staged: Staged) -> Finding:
    wiring = staged.wiring
    pairs = (
        (circuit.HEADER_TX, circuit.GROUND),
        (circuit.HEADER_RX, circuit.GROUND),
        (circuit.HEADER_TX, circuit.HEADER_RX),
    )
    found = [(f"{a} to {b}", circuit.ohms(wiring, a, b)) for a, b in pairs]
    readings = tuple(Reading(place, ohm if ohm < circuit.UNREADABLE_OHM else None, "ohm") for place, ohm in found)
    # the resistor in series is in the plan of the board, and is subtracted
    short = [ohm < SHORT_OHM or circuit.SERIES_OHM <= ohm < circuit.SERIES_OHM + SHORT_OHM for _, ohm in found]
    words = ("tx-to-ground", "rx-to-ground", "tx-to-rx")
    return Finding(next((word for word, is_so in zip(words, short, strict=True) if is_so), "no-short"), readings)


def _diodes(staged: Staged) -> Finding:
    shown = [(pad, circuit.diode_test(staged.wiring, pad)) for pad in (circuit.HEADER_TX, circuit.HEADER_RX)]
    readings = tuple(Reading(pad, None if volts is None else round(volts, 2), "V") for pad, volts in shown)
    tx, rx = (volts is None for _, volts in shown)
    return Finding("both-open" if tx and rx else "tx-open" if tx else "rx-open" if rx else "both-connected", readings)


def _pressed(staged: Staged) -> Finding:
    wiring = staged.wiring
    loose = Joint.GOOD not in (wiring.tx_joint, wiring.rx_joint) or wiring.tx_joint is not wiring.rx_joint
    held = replace(staged, setup=hands.heal(staged.setup))
    # what answers unpressed as well says nothing about a joint
    return Finding("works-pressed" if loose and wakes(held) else "no-change")


def _magnified(staged: Staged) -> Finding:
    wiring = staged.wiring
    bridge = wiring.bridged or {wiring.tx_stuck, wiring.rx_stuck} != {Stuck.NO}
    return Finding("found" if bridge or wiring.chip is Fitted.MISSING else "nothing-found")


def _reflow(staged: Staged) -> Finding:
    for word, side in (("rx-joint-helped", hands.RX), ("tx-joint-helped", hands.TX)):
        healed = hands.heal(staged.setup, side)
        if healed != staged.setup and wakes(replace(staged, setup=healed), starts=True):
            return Finding(word)
    return Finding(IN_VAIN)


def _current(staged: Staged) -> Finding:
    drawn = circuit.supply_current(staged.wiring, running=staged.wiring.runs)
    word = "high" if drawn >= circuit.SUPPLY_LIMIT_A else "near-zero" if drawn < circuit.RUNNING_A / 5 else "normal"
    return Finding(word, (Reading("supply", drawn, "A"),))


def _hot(staged: Staged) -> Finding:
    return Finding("hot" if staged.wiring.powered and staged.wiring.supply_shorted else "none")


def _crystal(staged: Staged) -> Finding:
    """An oscillator swings while the program that runs has switched it on (AN2606: most ROMs use an internal one)."""
    wiring = staged.wiring
    if wiring.adapter is Adapter.NO_CLOCK:
        return Finding("not-running")
    application = staged.mode is Mode.APPLICATION and staged.setup.firmware is not Firmware.BLANK
    wanted = PRODUCTS[staged.setup.product].rom_uses_crystal or application
    return Finding("running" if wiring.runs and wanted else "not-running")


def _golden(staged: Staged) -> Finding:
    """Only the host's side of the setup stays."""
    ours, wiring = staged.setup, staged.setup.wiring
    host_side = replace(
        Setup().wiring, adapter=wiring.adapter, attached=wiring.attached, crossed=wiring.crossed, ground=wiring.ground,
        adapter_v=wiring.adapter_v, adapter_pull_up=wiring.adapter_pull_up,
    )  # fmt: skip
    good = replace(Setup(), wiring=host_side, adapter_frame=ours.adapter_frame, frame_pinned=ours.frame_pinned)
    return Finding("answers" if wakes(replace(staged, setup=good, mode=Mode.ROM)) else IN_VAIN)


def _system_said(staged: Staged) -> Finding:
    words = {Adapter.NO_CLOCK: "unknown-device", Adapter.ABSENT: "nothing"}
    return Finding(words.get(staged.wiring.adapter, "named"))


_CHECKS: Final[Mapping[str, Callable[[Staged], Finding]]] = {
    "K01": _replug,
    "K02": _loopback,
    "K03": _loopback,
    "K04": _echo_without_board,
    "K05": _trial("K05"),
    "K06": _ground_ohms,
    "K07": _ground_volts,
    "K08": _rail,
    "K09": _tx_pin,
    "K10": _tx_header,
    "K11": _rx_both,
    "K12": _average,
    "K13": _trial("K13"),
    "K14": _reset_pin,
    "K15": _strap,
    "K16": _trial("K16"),
    "K17": _other_settings,
    "K18": _listen,
    "K19": _shorts,
    "K20": _diodes,
    "K21": _pressed,
    "K22": _magnified,
    "K23": _reflow,
    "K24": _current,
    "K25": _hot,
    "K26": _crystal,
    "K27": _trial("K27"),
    "K28": _golden,
    "K29": _system_said,
    "K30": _trial("K30"),
}
