"""Tests of the line that the console does by itself: loop-back, echo, listening at several rates, other settings.

Each is an attempt of its own whose bytes say nothing about the board; what it showed is a finding in the record, which
answers the check a person would have done. Only `try_settings` talks to the board.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from console.errors import Outcome, PortTrouble, Stopped
from console.events import Chunk, Event, LineEvent, LineKind
from console.link.base import LinkSettings
from console.session.session import DEFAULT_LISTEN_S, Session
from console.text import column
from console.words import count_of
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.pattern import MOST, Came, Comparison, compare, random_pattern
from protocols.readable import Heard, Listened, Verdict, count_readable, judge
from protocols.uart import EIGHT_N_ONE, Frame

LOOP_BACK, FAR_END, ECHO, ECHO_ALONE, RATES, SETTINGS = (
    "loop-back", "far-end", "echo", "echo-alone", "rates", "settings",
)  # fmt: skip
TESTS: Final = {
    LOOP_BACK: "TX and RX joined at the adapter, board off: do random bytes come back?",
    FAR_END: "the same, joined at the far end of the cable",
    ECHO: "board on, as it is wired: do our own bytes come back?",
    ECHO_ALONE: "board off, nothing joined: does the echo stay?",
    RATES: "only listen, at several rates: does a program talk, and at which?",
    SETTINGS: "handshakes at other frames and rates, the board reset before each",
}
# these need nothing joined or parted
NO_HANDS: Final = frozenset({RATES, SETTINGS})
# the catalogue's check that a test answers
CHECKS: Final = {"K02": LOOP_BACK, "K03": FAR_END, "K04": ECHO_ALONE, "K17": SETTINGS, "K18": RATES}
_JOINED: Final = "take the board off and join TX and RX {where}: grounds first, off last"
# what hands must have done before it
BEFORE: Final = {
    LOOP_BACK: _JOINED.format(where="at the adapter"),
    FAR_END: _JOINED.format(where="at the far end of the cable"),
    ECHO: "leave the board as it is wired; random bytes go to it, so reset it afterwards",
    ECHO_ALONE: "take the board off and leave the end of the cable open: grounds off last",
    RATES: "leave the board as it is wired; nothing is sent. a reset meanwhile makes most programs talk",
    SETTINGS: "leave the board as it is wired; it is reset before each try",
}
PATTERN_BYTES: Final = 64
# nothing must have come for so long before a pattern is sent: opening a port and joining wires chatter; common
# practice, no source
QUIET_S: Final = 0.15
BACK_WITHIN_S: Final = 0.25
EXTRA_WITHIN_S: Final = 0.02
# the usual rates of an application's console, the most usual first: common practice, no source
USUAL_RATES: Final = (115200, 9600, 57600, 38400, 19200, 230400, 460800, 921600, 4800, 2400)
LISTEN_EACH_S: Final = 1.5
# what the adapter received at the former rate may still come: its timer (AN232B-04: 16 ms) and the longest character
SETTLE_S: Final = 0.05
# lower rates that are still within the loader's range (AN2606 Rev 70 s.4.5: from 1200 baud)
LOWER_RATES: Final = (57600, 38400, 19200, 9600)
FRAMES: Final = (Frame(8, "E", 1), EIGHT_N_ONE, Frame(8, "O", 1))
_SAMPLE: Final = 40
_CHATTER: Final = 2  # so few bytes come from a port that opens or a wire that is joined

Hands = Callable[[str], Awaitable[bool]]
"""Asks the person to do something; False: they do not want to."""


@dataclass(frozen=True, slots=True)
class _Test:
    """How the outcomes of an echoing test are told. `check` is the check it answers."""

    check: str
    words: dict[Came, tuple[Outcome, str, str]]


_LOOPED: Final = {
    Came.SAME: (Outcome.OK, "echoes", "all {sent} random bytes came back unchanged"),
    Came.NOTHING: (Outcome.NO_ANSWER, "nothing", "none of {sent} random bytes came back"),
    Came.DAMAGED: (Outcome.MISMATCH, "damaged", "{matched} of {sent} random bytes came back in order, others did not"),
    Came.OTHER: (
        Outcome.MISMATCH,
        "",
        "{received} came, but not the {sent} random ones: something else sends, take the board off and repeat",
    ),
}
_ECHOED: Final = {
    Came.SAME: (Outcome.MISMATCH, "stays", "all {sent} random bytes came back: our own bytes, no answer of a board"),
    Came.NOTHING: (Outcome.OK, "gone", "none of {sent} random bytes came back: no echo"),
    Came.DAMAGED: (Outcome.MISMATCH, "stays", "{matched} of {sent} random bytes came back: a weak echo"),
    Came.OTHER: (Outcome.OK, "gone", "{received} came that are not the {sent} random ones: no echo"),
}
_TESTS: Final = {
    LOOP_BACK: _Test("K02", _LOOPED),
    FAR_END: _Test("K03", _LOOPED),
    ECHO_ALONE: _Test("K04", _ECHOED),
    ECHO: _Test("", _ECHOED),
}


def _there_and_back(pattern: bytes) -> Conversation[tuple[int, bytes]]:
    """How many bytes came before the line was quiet, and what came after the pattern was sent."""
    before = b""
    while len(before) < MOST and (early := (yield Want(1, QUIET_S, "a quiet line", optional=True))):
        before += early
    if before:
        yield Stray(before, "they came before the test pattern was sent")
    yield Send(pattern, "test pattern")
    back = yield Want(len(pattern), BACK_WITHIN_S, "the test pattern", optional=True)
    return len(before), back + (yield Want(len(pattern), EXTRA_WITHIN_S, "nothing more", optional=True))


def _compared(pattern: bytes, result: tuple[int, bytes]) -> Comparison:
    """A line on which somebody talked unasked tells nothing but an unspoilt pattern."""
    before, back = result
    found = compare(pattern, back)
    if before <= _CHATTER or found.came is Came.SAME:
        return found
    return replace(found, came=Came.OTHER, received=before + found.received)


async def send_pattern(
    session: Session, test: str, *, count: int = PATTERN_BYTES, random_bytes: Callable[[int], bytes] = os.urandom
) -> Comparison | None:
    """Send `count` random bytes and compare what comes back; None when the link was lost or the user stopped it.

    `test` says how it was joined: LOOP_BACK (at the adapter, board off), FAR_END (at the end of the cable, board off),
    ECHO (board on, as it is wired), ECHO_ALONE (board off, nothing joined). After ECHO the board is reset over the
    wake lines, or the finding says that it must be.
    """
    pattern = random_pattern(random_bytes, count, session.family.telling)
    words = _TESTS[test]

    def told(back: tuple[int, bytes]) -> tuple[Outcome, str]:
        result = _compared(pattern, back)
        outcome, _, text = words.words[result.came]
        return outcome, text.format(
            sent=result.sent, received=count_of(result.received, "byte"), matched=result.matched
        )

    async with session.attempt():
        try:
            back = await session.stage(test, _there_and_back(pattern), test=True, judge=told)
        except (PortTrouble, Stopped):
            return None
    result, message = _compared(pattern, back), told(back)[1]
    fields: dict[str, str | int | bool] = {"sent": result.sent, "received": result.received, "matched": result.matched}
    answer = words.words[result.came][1]
    if words.check and answer:
        fields |= {"check": words.check, "outcome": answer, "hands": True}
    if test == ECHO:
        if result.came is Came.SAME:
            fields["seen"] = "echo"
        if not await session.reset():
            message += "; reset the board before the next handshake: it may have taken them for a sync"
    session.found(test, message, **fields)
    return result


class _Ear:
    """Counts what comes at one rate; memory is bounded whatever comes."""

    def __init__(self, heard: Heard, settle_s: float) -> None:
        self.heard = heard
        self._settle_ns = round(settle_s * 1e9)
        self._from_ns: int | None = None  # the stage's beginning, the first event heard, and the settling
        self.sample = b""

    def event(self, event: Event) -> None:
        """Sink."""
        now = self.heard
        if self._from_ns is None:
            self._from_ns = event.t_ns + self._settle_ns
        if event.t_ns < self._from_ns:
            return
        if isinstance(event, Chunk) and event.direction == "in":
            self.sample += event.data[: _SAMPLE - len(self.sample)]
            self.heard = replace(
                now,
                received=now.received + len(event.data),
                readable=now.readable + count_readable(event.data),
                zeros=now.zeros + event.data.count(0),
            )
        elif isinstance(event, LineEvent) and event.kind is LineKind.BREAK:
            self.heard = replace(now, breaks=now.breaks + 1)
        elif isinstance(event, LineEvent) and event.kind in _BAD:
            self.heard = replace(now, errors=now.errors + 1)


_BAD: Final = frozenset({LineKind.FRAMING, LineKind.PARITY, LineKind.FRAMING_OR_PARITY})


async def listen_at_rates(
    session: Session, rates: Sequence[int] = USUAL_RATES, *, seconds: float | None = None, frame: Frame = EIGHT_N_ONE
) -> Verdict | None:
    """Listen at each of `rates` in turn, sending nothing, and say at which one an application talks.

    `seconds` is how long at each, 1.5 by default. The port has its former rate and frame afterwards. None when the link
    was lost or the user stopped it. Raises PortTrouble port-unusable where the port's rate cannot be changed.
    """
    before = session.link.settings
    heard: list[_Ear] = []
    refused: PortTrouble | None = None
    try:
        async with session.attempt():
            for rate in rates:
                try:
                    await session.tune(rate, frame)
                except PortTrouble as error:
                    if session.lost is not None:
                        raise
                    refused = error
                    session.found(RATES, f"at {rate} {frame}: {error.message}", rate=rate, frame=str(frame))
                    continue
                heard.append(await _listen_here(session, LISTEN_EACH_S if seconds is None else seconds))
    except (Stopped, PortTrouble):  # both are in the record
        return None
    finally:
        await _back_to(session, before)
    if refused is not None and not heard:
        session.trouble(refused)
        raise refused
    verdict = judge([ear.heard for ear in heard])
    _tell_verdict(session, verdict, heard)
    return verdict


async def _listen_here(session: Session, seconds: float) -> _Ear:
    settings = session.link.settings
    ear = _Ear(Heard(settings.baud, str(settings.frame)), SETTLE_S)
    session.add_sink(ear.event)
    try:
        await session.hear(f"at {settings.baud}", SETTLE_S + seconds, test=True)
    finally:
        session.remove_sink(ear.event)
    _tell_rate(session, ear)
    return ear


async def _back_to(session: Session, settings: LinkSettings) -> None:
    here = session.link.settings
    if session.lost is None and (here.baud, here.frame) != (settings.baud, settings.frame):
        with contextlib.suppress(PortTrouble):  # lost just now: the session has told it
            await session.tune(settings.baud, settings.frame)


def _tell_rate(session: Session, ear: _Ear) -> None:
    one = ear.heard
    if not (one.characters or one.breaks):
        words = "nothing"
    else:
        share = round(100 * one.readable / one.characters) if one.characters else 0
        words = ", ".join(
            (
                f"{count_of(one.characters, 'character')}, {share} % readable",
                *(count_of(one.errors, "line error"), count_of(one.breaks, "break")),
            )
        )
    session.found(
        RATES, f"at {one.baud} {one.frame}: {words}", rate=one.baud, frame=one.frame, received=one.received,
        readable=one.readable, errors=one.errors, breaks=one.breaks, text=round(one.text, 3),
    )  # fmt: skip


def _tell_verdict(session: Session, verdict: Verdict, heard: Sequence[_Ear]) -> None:
    best = verdict.best
    fields: dict[str, str | int] = {} if best is None else {"rate": best.baud, "frame": best.frame}
    match verdict.listened:
        case Listened.TEXT if best is not None:
            sample = next(ear.sample for ear in heard if ear.heard is best)
            likely = "it sends at" if verdict.sure else "it most likely sends at"
            message = f"a program on the board sends readable text: {likely} {best.baud} {best.frame}: {column(sample)}"
            fields |= {"check": "K18", "outcome": "text"}
        case Listened.CLEAN if best is not None:
            message = f"bytes without line errors come at {best.baud} {best.frame} only; they are no text"
            fields |= {"check": "K18", "outcome": "bytes"}
        case Listened.BYTES:
            message = "something comes unasked, but it is readable at none of these rates"
            fields |= {"check": "K18", "outcome": "bytes"}
        case Listened.LOW:
            message = "only breaks or 00 come: the receive line is held low, or was for a moment"
        case _:
            message = "nothing comes unasked at any of these rates"
            fields |= {"check": "K18", "outcome": "nothing"}
    session.found(RATES, message, **fields)


def settings_to_try(baud: int, frame: Frame) -> tuple[tuple[int, Frame], ...]:
    """The present settings, then each usual frame at this rate, then lower rates: one thing changed at a time."""
    frames = [(baud, other) for other in FRAMES if other != frame]
    rates = [(rate, frame) for rate in LOWER_RATES if rate < baud]
    return ((baud, frame), *frames, *rates)


async def try_settings(
    session: Session, hands: Hands, tries: Sequence[tuple[int, Frame]] = (), *, listen_s: float = DEFAULT_LISTEN_S
) -> Outcome:
    """Handshakes with other frames and rates until the board identifies itself; returns how the last one ended.

    A sync at a wrong rate or frame leaves the loader deaf or at a wrong rate until it is reset (AN3155 s.1), so the
    board is reset before each try: over the wake lines where they are wired, else `hands` asks the person. The port
    keeps the settings that worked, else it gets the former ones back. Settings it does not take are left out.
    """
    before = session.link.settings
    outcome = Outcome.NO_ANSWER
    for baud, frame in tries or settings_to_try(before.baud, before.frame):
        here = session.link.settings
        if (baud, frame) != (here.baud, here.frame):
            try:
                await session.tune(baud, frame)
            except PortTrouble as error:
                if session.lost is not None:
                    return Outcome.PORT
                session.found(SETTINGS, f"{baud} baud {frame}: {error.message}", rate=baud, frame=str(frame))
                continue
        try:
            if not await _reset(session, hands, f"reset the board into its loader; then {baud} baud {frame} is tried"):
                session.stopped()
                outcome = Outcome.STOPPED
                break
        except PortTrouble:  # the session has told it
            return Outcome.PORT
        outcome = await session.handshake(listen_s)
        words = _ENDED.get(outcome, str(outcome))
        session.found(SETTINGS, f"{baud} baud {frame}: {words}", rate=baud, frame=str(frame))
        if outcome in (Outcome.OK, Outcome.STOPPED, Outcome.PORT):
            break
    if outcome in (Outcome.NO_ANSWER, Outcome.REFUSED):
        session.found(SETTINGS, "none of these rates and frames helped", check="K17", outcome="silent")
    if outcome is not Outcome.OK:
        await _back_to(session, before)
    if outcome in (
        Outcome.NO_ANSWER,
        Outcome.REFUSED,
    ):  # the last try left the loader at a wrong rate: what comes next would find it deaf
        with contextlib.suppress(PortTrouble):  # the session has told it
            await _reset(session, hands, "reset the board into its loader once more: the tries left it at a wrong rate")
    return outcome


@contextlib.asynccontextmanager
async def stimulated(session: Session, byte: int | None, hands: Hands) -> AsyncIterator[None]:
    """The console sends `byte` while a person measures; nothing where it is None. The board is reset afterwards."""
    if byte is None:
        yield
        return
    async with session.sending(byte):
        yield
    await _reset(session, hands, f"reset the board: it may have taken the {byte:02X} for a sync")


async def _reset(session: Session, hands: Hands, words: str) -> bool:
    """Over the wake lines, or by hand."""
    if await session.reset():
        return True
    if not await hands(words):
        return False
    session.operator("reset-done")
    return True


_ENDED: Final = {
    Outcome.OK: "the board identified itself",
    Outcome.NO_ANSWER: "no answer",
    Outcome.REFUSED: "the sync was acknowledged and the first command refused, as a wrong parity looks",
    Outcome.STOPPED: "stopped",
    Outcome.PORT: "the port was lost",
}
