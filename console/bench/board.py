"""The simulated board and the adapter's two lines: power, strap, reset, oscillator, boot ROM or application.

Pure: time is data, in seconds of one monotonic clock of the caller's. The caller hands over what the host wrote and
collects, with `due`, the bytes the adapter has finished receiving. Characters of a write are worked through ahead of
time, so that the answer's moment is known; an action therefore meets the line as it is after the last write.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from console.bench import application
from console.bench.chips import has_program, target_for
from console.bench.consequences import boots, wired
from console.bench.joints import Joints
from console.bench.setup import Firmware, LineFlaw, Mode, Setup, Way, What
from console.bench.wiring import Heard, Level, Source, Wiring, board_hears, host_hears
from protocols.an3155.target import Target
from protocols.uart import EIGHT_E_ONE, EIGHT_N_ONE, Frame
from protocols.waveform import Edge, Resync, decode, encode

SYNC: Final = 0x7F
# AN2606 Rev 70 s.4.5: below 1200 baud the ROM's timer overflows; the upper end is that of the fastest adapters
SLOWEST_RATE: Final = 1200 * 0.975
FASTEST_RATE: Final = 4_000_000.0
# an ideal receiver takes every character unchanged up to here (protocols.uart.centre_tolerance: 4.7 %)
SAME_RATE: Final = 0.02
_OPENING_S: Final = 0.1  # a program discards what waits while it opens a port; a line low by then is a break after it


class Board:
    """One board with its adapter. All times are seconds of the caller's clock and must not go back."""

    def __init__(self, setup: Setup, now_s: float = 0.0) -> None:
        self.setup = setup
        self.baud = 115200.0
        self.frame = setup.adapter_frame
        self._asked_frame = setup.adapter_frame
        self.target = _target(setup)
        self.mode = Mode.OFF
        self.rate: float | None = None
        self._random = random.Random(setup.seed)
        self.given_s = now_s
        """When the last byte that `due` returned had been received."""
        self._line_free_s = now_s
        self._board_free_s = now_s
        self._due: list[tuple[float, int, bytes]] = []
        self._order = 0
        self._edges: list[Edge] = []
        self._deaf = False
        self._talk_at_s: float | None = None
        self._queries: application.Queries | None = None
        self._low_seen = False
        self._line = 0
        self.vanish_at_s: float | None = None
        """When a flaw takes the port away; the caller who acts on it sets it to None."""
        self._passed = dict.fromkeys(Way, 0)
        self._cut_s: float | None = None
        self._gone_s: float | None = None
        self._joint_good = {"host": True, "board": True}
        self._joint_left = {"host": 0, "board": 0}
        self._listen()
        self._start(now_s, boot=boots(setup) and setup.in_loader)

    @property
    def wiring(self) -> Wiring:
        """The wiring with what the joints of the board make of it."""
        return wired(self.setup)

    # --- the line

    @property
    def busy_until_s(self) -> float:
        """When the last character the host handed over has left the adapter."""
        return self._line_free_s

    def opened(self, now_s: float) -> None:
        """A program opened the port."""
        self._gone_s = None
        self._low_seen = False
        self._notice_low(now_s + _OPENING_S)
        self._chatter(now_s + _OPENING_S)

    def closed(self) -> None:
        """No program has the port open: what the adapter still holds is lost."""
        self._due.clear()

    def host_writes(self, data: bytes, now_s: float) -> None:
        """The host handed `data` to the adapter."""
        char_s = self.frame.char_s(self.baud)
        start = max(now_s, self._line_free_s)
        self._line_free_s = start + len(data) * char_s
        characters = [(start + n * char_s, byte) for n, byte in enumerate(data)]
        if Source.HOST in self._host.sources:
            for at, byte in characters:
                self._arrives(at + char_s, byte)
        elif not self._host.reliable:
            for at, _ in characters:
                if self._random.random() < 0.1:  # crosstalk on a line without a reference
                    self._deliver(at + char_s, bytes((self._random.randrange(256),)))
        if Source.HOST not in self._pin.sources:
            return
        if self.mode is Mode.APPLICATION and self._queries is not None:
            self._program_takes(self._spoiled(characters), self._queries)
        if self.mode is not Mode.ROM or self._deaf:
            return
        self._pass(self._spoiled(characters))

    def next_s(self) -> float | None:
        """When `due` will next have something, or None."""
        times = [self._due[0][0]] if self._due else []
        if self._talk_at_s is not None:
            times.append(self._talk_at_s)
        return min(times, default=None)

    def run_end_s(self) -> float:
        """When the board will have sent the last character it has to send."""
        return self._board_free_s

    def due(self, now_s: float) -> bytes:
        """The bytes the adapter has received completely by `now_s`."""
        while self._talk_at_s is not None and self._talk_at_s <= now_s:
            at, self._talk_at_s = self._talk_at_s, max(self._talk_at_s + application.TEXT_EVERY_S, now_s)
            words = application.TEXT_LINES[self._line % len(application.TEXT_LINES)]
            self._board_sends(at, words, application.FRAME, self.setup.application_rate)
            self._cut_s = None
            self._line += 1
        out = bytearray()
        while self._due and self._due[0][0] <= now_s:
            self.given_s, _, data = heapq.heappop(self._due)
            out += data
        return bytes(out)

    # --- hands on the bench

    def rewire(self, wiring: Wiring, now_s: float) -> None:
        """The wiring changed."""
        ran = self.wiring.runs
        self.setup = replace(self.setup, wiring=wiring)
        self._listen()
        if ran is not self.wiring.runs:
            if self.wiring.runs:
                self.target.power_cycle()
            self._start(now_s)
        self._notice_low(now_s)

    def strap(self, boot: bool) -> None:
        """Move the boot strap; the chip looks at it when reset ends."""
        self.setup = replace(self.setup, strap_boot=boot)

    def reset(self, now_s: float) -> None:
        """Press and release reset."""
        self.target.reset()
        self._start(now_s)

    def become(self, setup: Setup, now_s: float, *, chatter: bool = True) -> None:
        """Everything as in `setup` and a blank chip; the line's clock and the adapter's queue kept."""
        self.setup = setup
        self.frame = setup.adapter_frame
        self.target = _target(setup)
        self._listen()
        self._start(now_s, boot=boots(setup) and setup.in_loader)
        self._notice_low(now_s)
        if chatter:
            self._chatter(now_s)

    def spoil(self, setup: Setup) -> None:
        """Take over the flaws of `setup` and nothing else; their counts begin."""
        self.setup = replace(self.setup, flaws=setup.flaws, line_flaws=setup.line_flaws, joints=setup.joints)
        if self._queries is not None:
            self._queries = application.Queries(setup.joints)
        self._listen()
        if not self.wiring.runs:
            self._start(self.given_s)
        self.target.spoil(setup.flaws)
        self._passed = dict.fromkeys(Way, 0)

    def mend(self, joints: Joints, now_s: float) -> None:
        """Joints and parts were worked on, with the board off; it starts anew."""
        self.setup = replace(self.setup, joints=joints)
        self._listen()
        if self.wiring.powered:
            self.target.power_cycle()
        self._start(now_s)
        self._notice_low(now_s)

    def set_frame(self, frame: Frame) -> bool:
        """Tell the adapter its frame; False when it keeps its own."""
        self._asked_frame = frame
        if self.setup.frame_pinned:
            return frame == self.frame
        self.frame = frame
        self.setup = replace(self.setup, adapter_frame=frame)
        return True

    def unpin(self) -> None:
        """Another adapter, which takes the frame that the host asks for."""
        self.setup = replace(self.setup, frame_pinned=False)
        self.set_frame(self._asked_frame)

    # --- inside

    def _listen(self) -> None:
        self._host: Heard = host_hears(self.wiring)
        self._pin: Heard = board_hears(self.wiring)

    def _start(self, now_s: float, boot: bool | None = None) -> None:
        boot = boots(self.setup) if boot is None else boot
        self.mode = Mode.OFF if not self.wiring.runs else Mode.ROM if boot else Mode.APPLICATION
        self.rate = None
        self._edges.clear()
        self._deaf = False
        self._board_free_s = max(now_s, self._board_free_s if self._due else now_s)
        self._talk_at_s = self._queries = None
        if self.mode is Mode.APPLICATION:
            self._run_program(now_s)

    def _run_program(self, at_s: float) -> None:
        firmware = self.setup.firmware if self.setup.firmware is not Firmware.BLANK else Firmware.ANSWERS
        if not has_program(self.target):
            return
        if firmware is Firmware.TALKS:
            self._talk_at_s = at_s
        else:
            self._queries = application.Queries(self.setup.joints)

    def _program_takes(self, characters: list[tuple[float, int]], queries: application.Queries) -> None:
        """What the program's receiver makes of the host's characters, and its answers."""
        if self.frame == application.FRAME and abs(self.baud / self.setup.application_rate - 1) <= SAME_RATE:
            heard = [(at + self.frame.char_s(self.baud), byte) for at, byte in characters]
        else:
            edges = encode(characters, self.frame, self.baud)
            got = decode(edges, application.FRAME, self.setup.application_rate)
            heard = [(each.end_s, each.value) for each in got if each.clean]
        for at, answer in queries.hear(heard):
            self._board_sends(at, answer, application.FRAME, self.setup.application_rate)

    def _notice_low(self, at_s: float) -> None:
        """A line that is low reads as one break, and as nothing more until it was high again (16550)."""
        low = self._host.level is Level.LOW
        if low and not self._low_seen:
            self._deliver(at_s + self.frame.char_s(self.baud), b"\x00")
        self._low_seen = low

    def _chatter(self, at_s: float) -> None:
        data = application.chatter(self.setup.chatter, self._random)
        char_s = self.frame.char_s(self.baud)
        start = max(at_s, self._board_free_s)
        self._board_free_s = start + len(data) * char_s
        step = 64
        for at in range(0, len(data), step):
            part = data[at : at + step]
            self._deliver(start + (at + len(part)) * char_s, part)

    def _pass(self, characters: list[tuple[float, int]]) -> None:
        """Characters on their way to the chip's pin, past the places where something happens."""
        if not self.setup.line_flaws:
            self._board_takes(characters, self.frame, self.baud)
            return
        going: list[tuple[float, int]] = []
        for at, byte in characters:
            value, then = self._at_place(Way.TO_BOARD, byte)
            going += [] if value is None else [(at, value)]
            if then is not None:
                self._board_takes(going, self.frame, self.baud)
                going = []
                self._happens(then, at + self.frame.char_s(self.baud))
                self._cut_s = None
        self._board_takes(going, self.frame, self.baud)

    def _at_place(self, way: Way, byte: int) -> tuple[int | None, LineFlaw | None]:
        """The byte after the flaws at this place, None where it is lost; and what happens when it has passed."""
        self._passed[way] += 1
        value: int | None = byte
        then = None
        for flaw in self.setup.line_flaws:
            if flaw.way is way and flaw.place == self._passed[way]:
                if flaw.what is What.DROP:
                    value = None
                elif flaw.what is What.CORRUPT:
                    value = None if value is None else value ^ flaw.mask & 0xFF
                else:
                    then = flaw
        return value, then

    def _happens(self, flaw: LineFlaw, at_s: float) -> None:
        """The chip's further characters are lost with it: what was worked ahead never left its pin."""
        if flaw.what is What.VANISH:
            self.vanish_at_s = self._gone_s = at_s
            return
        self._due = [each for each in self._due if each[0] <= at_s]
        heapq.heapify(self._due)
        self._cut_s = at_s
        self._board_free_s = at_s
        self.reset(at_s)

    def _spoiled(self, characters: list[tuple[float, int]]) -> list[tuple[float, int]]:
        if self._pin.reliable and not self._pin.intermittent:
            return characters
        kept = []
        for at, byte in characters:
            spoiled = self._spoil(byte, self._pin, "board")
            if spoiled is not None:
                kept.append((at, spoiled))
        return kept

    def _spoil(self, byte: int, heard: Heard, end: str) -> int | None:
        if not heard.reliable:
            return self._random.randrange(256) if self._random.random() < 0.15 else None
        if heard.intermittent:
            if self._joint_left[end] == 0:
                self._joint_good[end] = not self._joint_good[end]
                self._joint_left[end] = self._random.randint(1, 6)
            self._joint_left[end] -= 1
            return byte if self._joint_good[end] else None
        if heard.marginal and self._random.random() < 0.5:
            return byte & self._random.randrange(256)  # ones that did not reach the threshold
        return byte

    def _board_takes(self, characters: Iterable[tuple[float, int]], frame: Frame, rate: float) -> None:
        """Characters as they stand on the board's RX pin."""
        pending = list(characters)
        while pending:
            if self.rate is None:
                at, byte = pending.pop(0)
                self._measure(at, byte, frame, rate)
                if self._deaf:
                    return
                continue
            own = EIGHT_E_ONE if self.target.chip.parity else EIGHT_N_ONE
            if frame == own and abs(rate / self.rate - 1) <= SAME_RATE:
                for at, byte in pending:
                    self._to_target(at + frame.char_s(rate), byte, True)
            else:
                for heard in decode(encode(pending, frame, rate), own, self.rate):
                    self._to_target(heard.end_s, heard.value, heard.clean)
            return

    def _measure(self, at: float, byte: int, frame: Frame, rate: float) -> None:
        """AN2606 Rev 70 s.101.2: seven bits from the first rise to the fall after it; any character is measured."""
        self._edges += encode([(at, byte)], frame, rate)
        rise = next((n for n, (_, level) in enumerate(self._edges) if level), None)
        if rise is None or rise + 1 >= len(self._edges):
            return
        measured = 7 / (self._edges[rise + 1][0] - self._edges[rise][0])
        self._edges.clear()
        if not SLOWEST_RATE <= measured <= FASTEST_RATE:
            self._deaf = True  # the timer overflowed or the divider is too small: only a reset helps
            return
        # no rounding to a standard rate (same section)
        self.rate = rate if abs(measured / rate - 1) < 1e-6 else measured
        if rate > self.setup.rate_error_above:
            self.rate *= 1 + self.setup.rate_error
        for _ in range(self.target.chip.syncs_needed):
            self._to_target(at + frame.char_s(rate), SYNC, True)

    def _to_target(self, at_s: float, byte: int, clean: bool) -> None:
        if self.mode is not Mode.ROM:
            return
        was, came_s = self.target.resets, at_s
        for reply in self.target.receive(byte, parity_ok=clean):
            own = EIGHT_E_ONE if self.target.chip.parity else EIGHT_N_ONE
            at_s = self._board_sends(at_s + reply.after_s, reply.data, own, self.rate or self.baud)
        self._cut_s = None
        if self.target.power_fails_after_s is not None:
            self.rewire(replace(self.setup.wiring, powered=False), came_s + self.target.power_fails_after_s)
        elif self.target.resets != was:
            self._start(at_s)
        elif self.target.running_application:
            self.mode = Mode.APPLICATION
            self._run_program(at_s)

    def _board_sends(self, at_s: float, data: bytes, frame: Frame, rate: float) -> float:
        """Characters leave the board's TX pin; returns when the last has ended."""
        char_s = frame.char_s(rate)
        start = max(at_s, self._board_free_s)
        self._board_free_s = start + len(data) * char_s
        if Source.BOARD in self._host.sources:
            if frame == self.frame and abs(rate / self.baud - 1) <= SAME_RATE:
                for n, byte in enumerate(data, 1):
                    self._arrives(start + n * char_s, byte)
            else:
                edges = encode([(start + n * char_s, byte) for n, byte in enumerate(data)], frame, rate)
                for heard in decode(edges, self.frame, self.baud, Resync.AT_ONCE):
                    self._arrives(heard.end_s, heard.value)
        elif not self._host.reliable:
            for n, _ in enumerate(data, 1):
                self._arrives(start + n * char_s, 0)
        return self._board_free_s

    def _arrives(self, at_s: float, byte: int) -> None:
        if any(end is not None and at_s > end for end in (self._cut_s, self._gone_s)):
            return
        spoiled = self._spoil(byte, self._host, "host")
        if spoiled is not None and self.setup.line_flaws:
            spoiled, then = self._at_place(Way.TO_HOST, spoiled)
            if then is not None:
                self._happens(then, at_s)
        if spoiled is not None:
            self._deliver(at_s, bytes((spoiled,)))

    def _deliver(self, at_s: float, data: bytes) -> None:
        heapq.heappush(self._due, (at_s, self._order, data))
        self._order += 1


def _target(setup: Setup) -> Target:
    programmed = setup.firmware is not Firmware.BLANK
    protected = setup.readout_protected
    return target_for(setup.product, readout_protected=protected, programmed=programmed, flaws=setup.flaws)
