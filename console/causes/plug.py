"""What a watched plug tells: looks over time -> events in words, one verdict, suspects, and what to do next.

Pure; time comes with the looks. What was plugged in before the watch began is no part of the story until it changes.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final, Literal, NamedTuple

from console.causes.kernel_words import Said, understand
from console.causes.plug_rank import steps_for, suspects
from console.causes.plug_table import SIGNS, PlugTable, plug_table
from console.causes.rank import HIGHEST, NextCheck, RankedCause
from console.usb import HUB_CLASS, Look, UsbDevice

# common practice, no source, all five: how long a port must stay to count; how long drivers and rights may take after
# the plug (0.4 s and 0.1 s were seen); when "nothing yet" becomes a finding; and three times in ten seconds is no hand
STAYS_S: Final = 3.0
SETTLES_S: Final = 1.5
PATIENCE_S: Final = 5.0
LOOP_TIMES: Final = 3
LOOP_S: Final = 10.0
_MOST_EVENTS: Final = 500

Kind = Literal[
    "waiting", "nothing", "settling", "good", "gone", "loop", "not-answering", "over-current",
    "no-driver", "not-serial", "other-device", "no-permission",
]  # fmt: skip
FINE: Final = frozenset({"waiting", "settling", "good", "gone"})


class PlugEvent(NamedTuple):
    """Something that happened at `t_s` (seconds since the watch began). `kind`: came, left, port, kernel, note."""

    t_s: float
    kind: str
    place: str
    text: str


@dataclass(frozen=True, slots=True)
class PlugVerdict:
    """What the watch says now. `help` is the next thing to do; `steps` more of them, the best for its minutes first.

    `port` is what can be opened; `trouble` whether there is anything to repair.
    """

    kind: Kind
    title: str
    detail: str = ""
    help: str = ""
    caution: str | None = None
    place: str = ""
    device: UsbDevice | None = None
    port: str | None = None
    causes: tuple[RankedCause, ...] = ()
    steps: tuple[NextCheck, ...] = ()

    @property
    def trouble(self) -> bool:
        """Whether something hinders the board from showing up."""
        return self.kind not in FINE


@dataclass(slots=True)
class _Socket:
    """What is known of one place.

    `arrivals`: when a device came up whole, by its number on the bus. `asked`: something was noticed and has not said
    yet what it is; `low`: noticed as low speed.
    """

    device: UsbDevice | None = None
    since_s: float = 0.0
    number: int = 0
    arrivals: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=LOOP_TIMES))
    last: UsbDevice | None = None
    loop: bool = False
    failed: bool = False
    over: bool = False
    low: bool = False
    asked: bool = False
    taken: str = ""


class PlugFold:
    """Takes looks one by one. `expected`: vendor and product id of the board's bridge, when they are known."""

    def __init__(self, expected: tuple[int, int] | None = None, table: PlugTable | None = None) -> None:
        self.expected = expected
        self.events: deque[PlugEvent] = deque(maxlen=_MOST_EVENTS)
        self.told = 0  # how many events there were in all
        self._table = table or plug_table()
        self._begin_s: float | None = None
        self._now_s = 0.0
        self._look = Look(0.0)
        self._before: dict[str, UsbDevice] = {}
        self._sockets: dict[str, _Socket] = {}
        self._focus = ""
        self._signs: dict[str, set[str]] = {}
        self._recovered = False

    @property
    def last_device(self) -> UsbDevice | None:
        """The device that came last, there or gone."""
        socket = self._sockets.get(self._focus)
        return socket.device or socket.last if socket is not None else None

    @property
    def here_before(self) -> tuple[UsbDevice, ...]:
        """Devices with a port that are there and have no part in the story."""
        story = {place for place, socket in self._sockets.items() if socket.device is not None}
        return tuple(one for place, one in self._before.items() if one.ttys and place not in story)

    def add(self, look: Look) -> None:
        """Take one look; looks come in the order of their time."""
        first, self._look, self._now_s = self._begin_s is None, look, look.t_s
        if self._begin_s is None:
            self._begin_s = look.t_s
        if look.lost:
            self._tell("note", "", "the kernel said more than could be read: some of its lines are missing")
        now = {device.place: device for device in look.devices}
        for line in look.lines:
            said = understand(line)
            if said is not None and not (first and said.place in now):  # its story is over before ours begins
                self._heard(said)
        if not first:
            self._compare(now)
        self._before = now
        socket = self._subject()
        if socket is not None and self._stays(socket):
            self._came_good(socket)

    def verdict(self) -> PlugVerdict:
        """What all looks so far say."""
        socket = self._subject()
        if socket is None:
            return self._none_yet()
        if socket.device is not None and not (socket.loop and not self._stays(socket)):
            return self._there(socket, socket.device)
        if socket.over:
            return self._weighed(
                "over-current", "over-current: the computer switched the socket off",
                "unplug it now, and look for the short before you plug it in again",
                caution="A shorted board can get hot: unplug it before you touch it.",
            )  # fmt: skip
        if socket.loop:
            return self._weighed("loop", "it appears and vanishes, again and again", "if that was your hand, wait")
        if socket.failed:
            low = " as low speed, which a serial bridge is not" if socket.low else ""
            return self._weighed("not-answering", f"something is plugged in{low}, but it does not answer")
        if socket.asked:
            return PlugVerdict(
                "settling",
                "something was plugged in",
                "the computer asks it what it is",
                "wait a moment",
                place=self._focus,
            )
        return PlugVerdict(
            "gone",
            f"it went away: {socket.last.title if socket.last else 'the device'}",
            "",
            "plug it in again; if it went without your hand, push the plug in and try another cable",
            place=self._focus,
            device=socket.last,
        )

    # ----------------------------------------------------------------------------------------------- what happens

    def _heard(self, said: Said) -> None:
        self._tell("kernel", said.place, said.words)
        place = said.place
        if not place:
            if said.kind in SIGNS:  # a whole hub without a socket's number
                self._signs.setdefault(said.kind, set()).add("")
            return
        socket = self._sockets.setdefault(place, _Socket())
        if said.kind in ("attached", "low-speed"):
            socket.number, socket.low, socket.asked = said.number, said.kind == "low-speed", True
            self._focus = place
        elif said.kind == "found":
            if socket.number:  # else it was noticed before our time
                self._arrived(socket, socket.number)
            self._focus = place
        elif said.kind == "taken":
            socket.taken = said.words
        elif said.kind in ("gave-up", "error") or said.kind in SIGNS:
            self._sign(socket, place, said)

    def _sign(self, socket: _Socket, place: str, said: Said) -> None:
        self._focus = place
        socket.over = socket.over or said.kind == "over-current"
        socket.failed, socket.asked = True, False
        if said.kind in SIGNS:
            self._signs.setdefault(said.kind, set()).add(place)
        if socket.low:
            self._signs.setdefault("low-speed", set()).add(place)

    def _compare(self, now: dict[str, UsbDevice]) -> None:
        for place, device in self._before.items():
            if place not in now or now[place].number != device.number:
                self._left(place, device)
        for place, device in now.items():
            before = self._before.get(place)
            if before is None or before.number != device.number:
                self._came(place, device)
            elif device != before:
                self._changed(place, before, device)

    def _came(self, place: str, device: UsbDevice) -> None:
        hub = device.device_class == HUB_CLASS
        self._tell("came", place, f"{'a hub' if hub else device.title} came")
        if hub:
            return
        socket = self._sockets.setdefault(place, _Socket())
        socket.device, socket.last, socket.since_s = device, device, self._now_s
        socket.failed = socket.asked = False
        if socket.number != device.number:
            socket.taken = ""
        self._recovered = not self._signs.keys() <= {"loop"}
        self._arrived(socket, device.number)
        self._focus = place
        for tty in device.ttys:
            self._tell("port", place, f"port {tty.name} came")

    def _arrived(self, socket: _Socket, number: int) -> None:
        """The tree and the kernel tell of the same arrival; a device without a number is told of by the tree alone."""
        if number and any(known == number for known, _ in socket.arrivals):
            return
        socket.arrivals.append((number, self._now_s))
        times = [t_s for _, t_s in socket.arrivals]
        if len(times) == LOOP_TIMES and times[-1] - times[0] <= LOOP_S:
            socket.loop = True
            self._signs.setdefault("loop", set()).add(self._place_of(socket))

    def _left(self, place: str, device: UsbDevice) -> None:
        self._tell("left", place, f"{device.title} went")
        for tty in device.ttys:
            self._tell("port", place, f"port {tty.name} went")
        if device.device_class == HUB_CLASS:
            return
        socket = self._sockets.setdefault(place, _Socket())
        socket.device, socket.last, socket.asked = None, device, socket.asked and socket.number != device.number
        self._focus = place

    def _changed(self, place: str, before: UsbDevice, device: UsbDevice) -> None:
        old, new = {tty.name for tty in before.ttys}, {tty.name for tty in device.ttys}
        for name in sorted(new - old):
            self._tell("port", place, f"port {name} came")
        for name in sorted(old - new):
            self._tell("port", place, f"port {name} went")
        for name in sorted(set(device.drivers) - set(before.drivers) - {""}):
            self._tell("note", place, f"the driver {name} took it")
        socket = self._sockets.get(place)
        if socket is not None and socket.device is not None:
            socket.device = socket.last = device

    def _came_good(self, socket: _Socket) -> None:
        """A device that stays has got over what was wrong before."""
        self._signs.clear()
        for one in self._sockets.values():
            one.failed = one.over = one.loop = False
        socket.arrivals.clear()
        socket.arrivals.append((socket.device.number if socket.device else 0, socket.since_s))

    def _subject(self) -> _Socket | None:
        """Whose story the verdict tells: the last one; of devices that came together, the expected or serial one."""
        last = self._sockets.get(self._focus)
        if last is None or last.device is None:
            return last
        together = [one for one in self._sockets.values() if one.device and abs(one.since_s - last.since_s) <= STAYS_S]

        def worth(one: _Socket) -> tuple[bool, bool, bool]:
            ids = (one.device.vid, one.device.pid) if one.device is not None else None
            return ids == self.expected, bool(one.device and one.device.ttys), one is last

        return max(together, key=worth)

    def _stays(self, socket: _Socket) -> bool:
        return socket.device is not None and self._now_s - socket.since_s >= STAYS_S

    def _place_of(self, socket: _Socket) -> str:
        return next((place for place, one in self._sockets.items() if one is socket), "")

    def _tell(self, kind: str, place: str, text: str) -> None:
        self.told += 1
        self.events.append(PlugEvent(self._now_s - (self._begin_s or 0.0), kind, place, text))

    # ------------------------------------------------------------------------------------------------ what it says

    def _none_yet(self) -> PlugVerdict:
        expected = self.expected
        there = next((one for one in self.here_before if (one.vid, one.pid) == expected), None)
        if there is not None and any(tty.usable for tty in there.ttys):
            return self._there(_Socket(there, self._now_s - STAYS_S), there)
        before = self.here_before
        detail = ", ".join(one.title for one in before)
        detail = f"here before, and unchanged: {detail}" if before else ""
        if self._begin_s is None or self._now_s - self._begin_s < PATIENCE_S:
            return PlugVerdict(
                "waiting",
                "watching: plug the board in now",
                detail,
                "plug it in; if it is in, unplug it and plug it in",
            )
        said = "nothing at all" if self._look.log else "nothing came up"
        return self._weighed(
            "nothing", f"{said} since the watch began", detail or "if the plug is in: unplug it and plug it in again"
        )

    def _there(self, socket: _Socket, device: UsbDevice) -> PlugVerdict:
        stay_s = self._now_s - socket.since_s
        usable = next((tty for tty in device.ttys if tty.usable), None)
        ready = usable is not None and stay_s >= STAYS_S
        stuck = usable is None and stay_s >= SETTLES_S
        wrong = self.expected is not None and (device.vid, device.pid) != self.expected
        if not ready and not stuck:
            return self._say("settling", f"it came: {device.title}", device, "whether it stays", "wait a moment")
        if wrong and self.expected is not None:
            want = "{:04x}:{:04x}".format(*self.expected)
            return self._say(
                "other-device", f"another device than expected: {device.title}", device,
                f"expected {want}", "look which cable goes to the board, and plug that one in",
                cause=("wrong-port", "this is another port than the board's", f"ids {device.ids}, expected {want}"),
            )  # fmt: skip
        if usable is not None:
            detail = "it failed before and stays now: keep what you changed last" if self._recovered else device.title
            return self._say("good", f"good: {usable.name} is there and stays", device, detail, "open it", usable.name)
        if device.ttys:
            tty = device.ttys[0]
            return self._say(
                "no-permission", f"the port {tty.name} is there, but you may not open it", device, device.title,
                tty.cure,
                cause=("port-permission", "no permission to open the port", "the system refuses access to the device"),
            )  # fmt: skip
        if socket.taken:
            return self._say(
                "not-serial", f"no port: {device.title}", device, socket.taken,
                "end or remove that program, then plug the board in again",
            )  # fmt: skip
        bound = sorted({name for name in device.drivers if name})
        if not bound:
            return self._say(
                "no-driver", f"a USB device, but no driver took it: {device.title}", device,
                "the cable, the pair and the bridge work; the system does not know what to do with it",
                f"look up which driver serves {device.ids} and install it; then plug in again",
                cause=("driver-missing", "no driver for this device", "the device told its ids, and no driver took it"),
            )  # fmt: skip
        return self._say(
            "not-serial", f"a USB device, but no serial port: {device.title}", device, f"driver: {', '.join(bound)}",
            "look which cable goes to the board; if this is the board, its bridge is set up as something else",
            cause=("wrong-port", "this is another device than a serial bridge", f"it is served by {bound[0]}"),
        )  # fmt: skip

    def _say(
        self, kind: Kind, title: str, device: UsbDevice, detail: str, help: str, port: str | None = None, *,
        cause: tuple[str, str, str] | None = None,
    ) -> PlugVerdict:  # fmt: skip
        causes = () if cause is None else (RankedCause(cause[0], cause[1], HIGHEST, (cause[2],)),)
        return PlugVerdict(kind, title, detail, help, None, device.place, device, port, causes)

    def _weighed(self, kind: Kind, title: str, detail: str = "", *, caution: str | None = None) -> PlugVerdict:
        signs = [sign for sign in SIGNS if sign in self._signs]
        if kind == "nothing":
            signs.append("nothing" if self._look.log else "unseen")
        if len({place for places in self._signs.values() for place in places if place}) > 1:
            signs.append("two-sockets")
        causes = suspects(signs, self._table)
        steps = steps_for(causes, self._table)
        if kind == "over-current":  # nobody should try sockets and cables with a short on the bench
            steps = tuple(sorted(steps, key=lambda step: step.id != "short-check"))
        return PlugVerdict(
            kind, title, detail, steps[0].title if steps else "", caution or (steps[0].caution if steps else None),
            self._focus, causes=causes, steps=steps,
        )  # fmt: skip
