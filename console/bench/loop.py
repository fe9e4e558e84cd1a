"""The bench's own loop: one port, one board, the control connection, and the clock that paces them.

Waits for the next thing to happen; spins only for the last moment before a byte is due and for the first after an
answer, and never when nothing is.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from console.bench import deeds, registry
from console.bench.board import Board
from console.bench.control import ControlServer
from console.bench.delay import RunDelay
from console.bench.port import HAVE_PTY, End, PtyEnd, SocketEnd, drop_link, point_link
from console.bench.setup import Setup
from console.bench.wiring import Wiring

_let_others_run = getattr(os, "sched_yield", lambda: None)  # Windows has none
_SPIN_S: Final = 0.0003
_EAGER_S: Final = 0.0003  # a chip needs no waking up: so long it looks out for the next request before it sleeps
_LOOK_S: Final = 0.02  # how often a closed pty is looked at
_AHEAD_S: Final = 0.02  # how much line time is taken from the host at once
_REFILL_S: Final = 0.005
_BUNDLE_S: Final = 0.001  # full-speed USB frame: an adapter hands over at most one packet per frame
_MOST_CREDIT_S: Final = 0.01
_IDLE_S: Final = 3600.0
_BROWN_OUT_S: Final = 0.15  # how long the adapter keeps up a shorted board after it was opened, and how long it is gone
_BROWN_OUT_GONE_S: Final = 1.0


class Bench:
    """Everything of one running bench; `run` returns after `stop`."""

    def __init__(self, setup: Setup, *, scene: str, link: Path | None, sockets: bool, paced: bool, token: str) -> None:
        """Raises PortTrouble when port or link cannot be made."""
        self._sockets = sockets or not HAVE_PTY
        self._paced = paced
        self._scene = scene
        self._link = None if self._sockets else link  # a link can only lead to a device
        self._token = token
        self._board = Board(setup, time.monotonic())
        self._end: End | None = None
        self._number = 0
        self._open = False
        self._vanish_at: float | None = None
        self._return_at: float | None = None
        self._written_at = 0.0
        self._delay = RunDelay()
        self._late_s = 0.0  # by how much the last byte was handed over too late; a program answers later by as much
        self._done = False
        self._wake, self._waker = socket.socketpair()
        self._wake.setblocking(False)
        self._waker.setblocking(False)
        self._control = ControlServer(token, self._act)
        try:
            self._appear()
            if self._end is None:
                self._enter("")
        except BaseException:
            self.close()
            raise

    @property
    def port(self) -> str:
        """What a program opens."""
        if self._link is not None:
            return str(self._link)
        return self._end.name if self._end is not None else ""

    @property
    def control(self) -> int:
        """The control port."""
        return self._control.port

    def stop(self) -> None:
        """End `run`; safe from a signal handler or another thread."""
        self._done = True
        with contextlib.suppress(OSError):
            self._waker.send(b"x")

    def close(self) -> None:
        """Take the port away and close everything."""
        self._disappear()
        registry.leave(os.getpid())
        self._control.close()
        self._delay.close()
        self._wake.close()
        self._waker.close()

    def run(self) -> None:
        """Until `stop`."""
        while not self._done:
            now = time.monotonic()
            self._tune()
            self._give(now)  # early, because this is what is due
            self._timers(now)
            self._look(now)
            self._take(time.monotonic())
            if not self._paced:
                self._give(now)
            self._wait()

    # --- one round

    def _timers(self, now: float) -> None:
        if self._vanish_at is not None and now >= self._vanish_at:
            self._vanish(now)
        if self._return_at is not None and now >= self._return_at:
            self._appear()

    def _look(self, now: float) -> None:
        """Has a program opened or closed the port?"""
        is_open = self._end is not None and self._end.is_open()
        if is_open == self._open:
            return
        self._open = is_open
        if is_open:
            self._board.opened(now)
            self._arm(now)
        else:
            self._vanish_at = None
            self._board.closed()
            if self._end is not None:
                self._take_rest(now)
                self._end.forget()

    def _arm(self, now: float) -> None:
        """While a program has it open: the port goes away where the setup says so."""
        setup = self._board.setup
        if self._board.wiring.supply_shorted:
            self._vanish_at = now + _BROWN_OUT_S
        elif setup.vanish_after_s:
            self._vanish_at = now + setup.vanish_after_s
            self._board.setup = replace(setup, vanish_after_s=0.0)

    def _tune(self) -> None:
        """The adapter has the rate the program set, for both directions."""
        baud = self._end.baud() if self._end is not None and self._open else None
        if baud is not None:
            self._board.baud = baud

    def _take_rest(self, now: float) -> None:
        """What a program wrote before it closed still goes over the line."""
        assert self._end is not None
        if data := self._end.read(4096):
            self._board.host_writes(data, now)

    def _take(self, now: float) -> None:
        if self._end is None or not self._open:
            return
        if self._paced and self._board.busy_until_s > now + _REFILL_S:
            return
        self._tune()
        most = max(1, int(_AHEAD_S / self._board.frame.char_s(self._board.baud)))
        if data := self._end.read(min(most, 4096)):
            # our own lateness must not lengthen the line: the program's bytes start where they would have, had our
            # answer been in time and had we seen them as they came
            unseen_s = min(self._delay.since_s(), now - self._written_at)
            self._board.host_writes(data, now - min(_MOST_CREDIT_S, self._late_s + unseen_s))
            self._late_s = 0.0
        if self._board.vanish_at_s is not None:
            # a terminal that goes away takes along what was not read: the last byte gets a moment
            self._vanish_at, self._board.vanish_at_s = self._board.vanish_at_s + _LOOK_S, None

    def _give(self, now: float) -> None:
        until = now if self._paced else max(now, self._board.run_end_s(), self._board.busy_until_s)
        data = self._board.due(until)
        if self._end is not None and self._open and (data or self._end.behind()):
            self._end.write(data)
            if data:
                self._written_at = time.monotonic()
                self._late_s = max(0.0, self._written_at - self._board.given_s)

    def _wait(self) -> None:
        now = time.monotonic()
        due = self._next_byte()
        others = [now + _IDLE_S]
        if self._end is not None and not self._open and self._end.waits:
            others.append(now + _LOOK_S)
        if self._end is not None and self._open and self._end.behind():
            others.append(now + _LOOK_S)
        full = self._paced and self._board.busy_until_s > now + _REFILL_S
        if full:
            others.append(self._board.busy_until_s - _REFILL_S)
        others += [at for at in (self._vanish_at, self._return_at) if at is not None]
        wake = min(others) if due is None else min(*others, due - _SPIN_S)
        self._select(max(0.0, wake - now), watch_port=not full)
        if due is not None and due - time.monotonic() <= _SPIN_S:
            while time.monotonic() < due:
                pass

    def _next_byte(self) -> float | None:
        """When to hand over next: the first byte of a run and its last on time, those between in bundles."""
        due = self._board.next_s()
        if due is None or due >= self._written_at + _BUNDLE_S:
            return due
        return max(due, min(self._written_at + _BUNDLE_S, self._board.run_end_s()))

    def _select(self, timeout: float, *, watch_port: bool) -> None:
        descriptors = self._end.watch() if self._end is not None and watch_port else ()
        sockets = self._control.sockets()
        watched: list[socket.socket | int] = [self._wake, *sockets, *descriptors]
        self._delay.mark()
        until = time.monotonic() + timeout
        eager_until = self._written_at + _EAGER_S if descriptors and self._paced else 0.0
        while not (ready := select.select(watched, [], [], 0)[0]) and timeout > 0:
            if (now := time.monotonic()) >= eager_until:
                # select takes microseconds; epoll and poll round up to milliseconds
                ready, _, _ = select.select(watched, [], [], max(0.0, until - now))
                break
            if now >= until:
                break
            _let_others_run()
        if self._wake in ready:
            with contextlib.suppress(OSError):
                self._wake.recv(64)
        for each in sockets:
            if each in ready:
                self._control.ready(each)

    # --- the port comes and goes

    def _appear(self) -> None:
        self._return_at = None
        if self._end is not None or not self._board.wiring.adapter.enumerates:
            return
        end: End = PtyEnd() if not self._sockets else SocketEnd(self._number)
        if isinstance(end, SocketEnd):
            self._number = end.number  # it comes back under its address, as a device does under its link
        elif self._link is not None:
            try:
                point_link(self._link, end.name)
            except BaseException:
                end.close()
                raise
        self._end = end
        end.stage(self._board.setup.port)
        self._enter(end.name)

    def _enter(self, port: str) -> None:
        """Tell where this bench is; a port of "" is one that vanished and can be told to return."""
        link = None if self._link is None else str(self._link)
        registry.register(registry.BenchEntry(os.getpid(), port, link, self._control.port, self._token, self._scene))

    def _disappear(self) -> None:
        end, self._end = self._end, None
        if end is None:
            return
        if self._link is not None:
            drop_link(self._link, end.name)
        end.close()

    def _vanish(self, now: float) -> None:
        self._vanish_at = None
        self._disappear()
        self._enter("")
        self._open = False
        self._board.closed()
        back = _BROWN_OUT_GONE_S if self._board.wiring.supply_shorted else self._board.setup.return_after_s
        self._return_at = now + back if back else None

    # --- hands

    def _act(self, action: str, fields: Mapping[str, Any]) -> dict[str, Any]:
        now = time.monotonic()
        board = self._board
        before, was = board.setup, board.wiring
        told: dict[str, Any] = {}
        match action:
            case "vanish":
                self._vanish(now)
            case "return":
                self._appear()
            case _:
                told = deeds.act(board, action, fields, now)
        if action == "fault" and self._open:
            self._arm(now)
        self._follow(before, was)
        return told | self._status()

    def _follow(self, before: Setup, was: Wiring) -> None:
        """The port follows the setup."""
        setup, wiring = self._board.setup, self._board.wiring
        if not wiring.adapter.enumerates and self._end is not None:
            self._disappear()
            self._enter("")
            self._open = False
            self._board.closed()
        elif wiring.adapter.enumerates and not was.adapter.enumerates:
            self._appear()
        if self._end is not None and setup.port is not before.port:
            self._end.stage(setup.port)
        if was.supply_shorted and not wiring.supply_shorted:
            self._vanish_at = None

    def _status(self) -> dict[str, Any]:
        board, wiring = self._board, self._board.setup.wiring
        return {
            "port": self.port,
            "present": self._end is not None,
            "open": self._open,
            "scene": self._scene,
            "mode": str(board.mode),
            "crossed": wiring.crossed,
            "ground": wiring.ground,
            "powered": wiring.powered,
            "strap": "boot" if board.setup.strap_boot else "run",
            "frame": str(board.frame),
            "baud": board.baud,
            "synchronised": board.target.synchronised,
        }
