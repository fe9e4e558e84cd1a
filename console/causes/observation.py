"""What the host can see by itself, folded from spans, line events and stage results; no judgement about causes.

Evidence is tied to the configuration it was made in (wires, strap, frame, rate), because changing one of them changes
what an observation says about it and nothing else. Equal attempts in one configuration count once; where they gave
different results, three equal ones in a row are wanted before the last is trusted.

Every call is O(1) and memory is bounded, whatever the line delivers.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from console.causes.evidence import ANSWERS, CERTAIN, READABLE_TEXT, Configured, Evidence, Observation, Setup
from console.events import LineEvent, LineKind, Value
from console.text import clean
from protocols.family import Role, Span
from protocols.readable import count_readable, reads_as_text

_KEPT_OUT: Final = 256  # enough to recognise an echo; an attempt that got no answer sends a handful of bytes
_KEPT_ANSWERS: Final = 64
_GLITCH: Final = (b"\x00", b"\xff")
_ERRORS: Final = frozenset({LineKind.FRAMING, LineKind.PARITY, LineKind.FRAMING_OR_PARITY})
_TEXTS: Final = {
    "absent": "the port is not there",
    "vanish": "the port vanished during the attempt",
    "silence": "nothing was received",
    "low": "the receive line is low (only 00 or break arrives)",
    "echo": "the bytes just sent come back",
    "garbage": "bytes arrive that are no known reply",
    "readable-text": "readable text arrives: an application seems to run instead of the loader",
    "errors": "framing or parity errors on the line",
    "ack": "the board acknowledges",
    "nack": "a command was refused",
    "get-answered": "the first command was answered, so the frame format is right",
    "read-refused": "a memory command was refused although the board answers",
    "identified": "the board identified itself",
}


_KEPT_SETUPS: Final = 16
_WORDS_ONLY: Final = frozenset({"asked", "remark"})
# what can be said and taken back, with the field that names its subject
_SAID: Final = {"skip": "check", "at-hand": "item"}
_Told = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class _Run:
    """Attempts in one configuration: the last result, how often in a row, whether another came before."""

    result: frozenset[str]
    repeats: int = 1
    unsteady: bool = False

    def then(self, result: frozenset[str]) -> _Run:
        if result == self.result or _stays_low(self.result, result):
            return _Run(self.result, self.repeats + 1, self.unsteady)
        return _Run(result, 1, True)


@dataclass(frozen=True, slots=True)
class _Reading:
    """What was seen in one configuration, and whether a sync was sent."""

    seen: tuple[Observation, ...]
    asked: bool


class ObservationFold:
    """Takes what happens one by one; `evidence` may be asked for at any time."""

    def __init__(self) -> None:
        self._kept: dict[Setup, _Reading] = {}  # latest per configuration
        self._runs: dict[Setup, _Run] = {}  # of attempts that are over
        self._stale: set[Setup] = set()
        self._strap = ""
        self._given: dict[str, str] = {}
        self._missing: set[str] = set()
        self._told: list[_Told] = []  # what the operator said, in order, so that the last can be taken back
        self._swap_pending = False
        self._before: Configured | None = None
        self._swaps = 0
        self._attempted = False
        self._begin((False, "", "", 0))

    def _begin(self, setup: Setup) -> None:
        self._setup = setup
        self._counted = False
        self._stage = ""
        self._out = bytearray()
        self._in = bytearray()  # what came before the first acknowledge, one byte more than an echo could hold
        self._out_role: Role | None = None
        self._out_command = ""
        self._in_parameters = False
        self._in_count = 0
        self._readable = 0
        self._only_zero = True
        self._acks = self._nacks = self._get_answered = self._refused = 0
        self._breaks = self._errors = self._absent = self._vanished = 0
        self._identified = self._sync_failed = self._already = self._asked = False
        self._echoed = 0
        self._trouble: dict[str, None] = {}

    def attempt(self, wires_swapped: bool, *, frame: str = "", rate: float = 0) -> None:
        """A new attempt begins, made in this configuration; a strap the operator moved is remembered."""
        setup = (wires_swapped, self._strap, clean(frame, 8), rate)
        if not self._attempted:  # what came since the port was opened belongs to the first attempt
            self._attempted, self._setup = True, setup
            return
        self._keep()
        self._runs = self._all_runs()
        self._swap_pending = False
        self._begin(setup)
        self._stale.discard(self._setup)

    def span(self, span: Span, t_ns: int) -> None:
        """Bytes of one direction with one meaning; `t_ns` is not needed for what is decided here."""
        if span.direction == "out":
            self._out_role, self._out_command = span.role, span.command
            if span.role is Role.COMMAND:
                self._in_parameters = False
            elif span.role in (Role.ADDRESS, Role.DATA, Role.LENGTH):
                self._in_parameters = True
            if len(self._out) < _KEPT_OUT:
                self._out += span.data[:_KEPT_OUT]
            return
        self._in_count += len(span.data)
        self._readable += count_readable(span.data)
        self._only_zero = self._only_zero and not span.data.strip(b"\x00")
        if span.role is Role.ACK:
            self._acks += 1
        elif span.role is Role.NACK:
            self._nack_in(span)
        elif span.role in (Role.VALUE, Role.DATA, Role.LENGTH) and _is_get(span.command):
            self._get_answered += 1
        if not self._acks and len(self._in) <= _KEPT_OUT:
            self._in += span.data[: _KEPT_OUT + 1]

    def line_event(self, event: LineEvent) -> None:
        """A break or an error on the line; other events say nothing about causes."""
        if event.kind is LineKind.BREAK:
            self._breaks += 1
        elif event.kind in _ERRORS:
            self._errors += 1

    def stage_begin(self, name: str) -> None:
        """A stage of the attempt begins."""
        self._stage = name
        self._asked = self._asked or name == "sync"

    def stage_end(self, name: str, outcome: str, hint: str) -> None:
        """A stage ended; `outcome` and `hint` are the words of the stage mark."""
        self._stage = ""
        if name == "sync" and outcome == "ok":
            if hint == "already-synchronised":
                self._already = True
            else:
                self._acks = max(1, self._acks)
        elif name == "sync" and outcome == "no-answer":
            self._sync_failed = True
        elif name == "identify" and outcome == "ok":
            self._identified = True
            self._get_answered = max(1, self._get_answered)

    def link_lost(self) -> None:
        """The port went away. During an attempt that had no answer yet it tells of the board, else only of the link."""
        if self._stage and not self._answered:
            self._vanished += 1
        else:
            self._trouble["link-lost"] = None

    def operator(self, action: str, fields: Mapping[str, Value]) -> None:
        """What the operator did or said.

        "check" comes with `check` and `outcome`, "skip" with `check`, "at-hand" with `item`; "undo" takes the latest of
        these back. "asked" and "remark" are for the reader of the record alone; anything else was done to the board.
        """
        if action in _WORDS_ONLY:
            return
        if action == "swap-done":
            self._keep()
            self._swap_pending = not self._swap_pending
            self._swaps += 1
        elif action == "undo":
            del self._told[-1:]
        elif action == "check":
            self.answered(str(fields.get("check", "")), str(fields.get("outcome", "")), hands=True)
        elif action in _SAID:
            self._say(action, str(fields.get(_SAID[action], "")))
        else:
            now = tuple(self._observations())
            if now and not self._answered:
                self._before = _configured(self._setup, self._reading(now), None)
            self._stale.update(self._kept, [self._setup])
            if action == "strap-done":
                self._keep()
                self._strap = "" if self._strap else "moved"
            self._forget_runs()

    def answered(self, check: str, outcome: str, *, hands: bool) -> None:
        """A check has an answer; `hands` were on the board where it may behave differently from now on."""
        if hands:
            self._forget_runs()
        self._say("check", check, outcome)

    def known_before(self, fields: Mapping[str, Value]) -> bool:
        """A finding that is no news: what a check would say (`given`), by what the board is or by what was measured
        before, which nobody takes back; or what of a usual bench is `missing`. Whether it was one of these."""
        check, outcome, item = (clean(str(fields.get(key) or ""), 40) for key in ("check", "outcome", "missing"))
        if item and len(self._missing) < _KEPT_ANSWERS:
            self._missing.add(item)
        if fields.get("given") is not True:
            return bool(item)
        if check and len(self._given) < _KEPT_ANSWERS:
            self._given[check] = outcome
        return True

    def _say(self, action: str, name: str, outcome: str = "") -> None:
        self._told.append((action, clean(name, 40), clean(outcome, 40)))
        del self._told[:-_KEPT_ANSWERS]

    def echoed(self, count: int) -> None:
        """A test with random bytes got `count` (>= 1) of them back in this configuration."""
        self._echoed = max(1, count)

    def port_trouble(self, code: str) -> None:
        """The port could not be used; `code` is the error's code."""
        if code == "port-missing":
            self._absent += 1
        elif code in CERTAIN and not (code == "link-lost" and self._vanished):
            self._trouble.setdefault(code, None)

    def evidence(self) -> Evidence:
        """Everything seen so far, frozen."""
        now = tuple(self._observations())
        kept = dict(self._kept)
        if now:
            kept[self._setup] = self._reading(now)
        runs = self._all_runs()
        certain = tuple(code for code in CERTAIN if code in self._trouble or (code == CERTAIN[-1] and self._already))
        return Evidence(
            configured=tuple(
                _configured(setup, reading, runs.get(setup), setup in self._stale) for setup, reading in kept.items()
            ),
            current=_configured(self._setup, self._reading(now), runs.get(self._setup), self._setup in self._stale),
            certain=certain,
            checks=tuple(self._latest_answers().items()),
            swap_pending=self._swap_pending,
            skipped=frozenset(name for action, name, _ in self._told if action == "skip"),
            at_hand=frozenset(name for action, name, _ in self._told if action == "at-hand"),
            before=self._before,
            often=frozenset(name for name, count in self._counts().items() if count > 1),
            missing=frozenset(self._missing),
        )

    def _counts(self) -> Counter[str]:
        counts = Counter(name for action, name, _ in self._told if action == "check")
        counts["swap-done"] = self._swaps // 2  # there and back
        return counts

    def _latest_answers(self) -> dict[str, str]:
        """Only the latest reading of a check counts; it stands where it was made."""
        out: dict[str, str] = dict(self._given)
        for action, name, outcome in self._told:
            if action == "check":
                out.pop(name, None)
                out[name] = outcome
        return out

    @property
    def undoable(self) -> str:
        """What "undo" would take back, in words; "" when there is nothing."""
        return " ".join(filter(None, self._told[-1])) if self._told else ""

    @property
    def _answered(self) -> bool:
        return bool(self._acks or self._nacks or self._get_answered or self._identified or self._already)

    def _keep(self) -> None:
        now = tuple(self._observations())
        if now and (self._setup in self._kept or len(self._kept) < _KEPT_SETUPS):
            self._kept[self._setup] = self._reading(now)

    def _reading(self, now: tuple[Observation, ...]) -> _Reading:
        """The present attempt's; a configuration that was asked once stays tried when it is only listened to later."""
        before = self._kept.get(self._setup)
        if before is not None and self._setup not in self._stale and _stays_low(_codes(before.seen), _codes(now)):
            return before
        asked = self._asked or self._absent or self._vanished or (before is not None and before.asked)
        return _Reading(now, bool(asked))

    def _all_runs(self) -> dict[Setup, _Run]:
        """The runs with the present attempt counted, if it has come to a result."""
        if self._counted or not (self._sync_failed or self._answered or self._absent or self._vanished):
            return self._runs
        codes = _codes(tuple(self._observations()))
        result = ANSWERS if codes & ANSWERS else codes
        before = self._runs.get(self._setup)
        if before is None and len(self._runs) >= _KEPT_SETUPS:
            return self._runs
        return self._runs | {self._setup: before.then(result) if before else _Run(result)}

    def _forget_runs(self) -> None:
        self._runs = {}
        self._counted = True  # what the present attempt showed was before the change

    def _nack_in(self, span: Span) -> None:
        if self._out_role in (None, Role.SYNC):
            return  # a NACK to the sync says "already synchronised" or noise; the stage's result tells which
        self._nacks += 1
        command = span.command or self._out_command
        # a refusal after the address may be a wrong address; at the command itself it is the protection
        if self._get_answered and not _is_get(command) and not self._in_parameters:
            self._refused += 1

    def _observations(self) -> Iterator[Observation]:
        def seen(code: str, count: int) -> Iterator[Observation]:
            if count:
                yield Observation(code, _TEXTS[code], count)

        glitch = self._in_count == 1 and bytes(self._in) in _GLITCH
        unanswered = not self._answered and not (glitch and not self._sync_failed)
        echo = bool(self._echoed) or self._is_echo()
        low = self._in_count if self._only_zero else 0
        yield from seen("absent", self._absent)
        yield from seen("vanish", self._vanished)
        nothing = not (self._in_count or self._breaks or self._errors)
        yield from seen("silence", int(self._sync_failed and nothing and not self._answered))
        if unanswered and not echo:
            yield from seen("low", low + self._breaks if self._only_zero else 0)
        yield from seen("echo", (self._echoed or len(self._in)) if echo else 0)
        if unanswered and not echo and not self._only_zero and self._in_count:
            yield from seen(
                READABLE_TEXT if reads_as_text(self._readable, self._in_count) else "garbage", self._in_count
            )
        # one bad character at power-up is as normal as one stray byte
        yield from seen("errors", self._errors if self._errors > 1 or not self._answered else 0)
        yield from seen("ack", self._acks)
        yield from seen("nack", self._nacks)
        yield from seen("get-answered", int(self._get_answered > 0))
        yield from seen("read-refused", self._refused)
        yield from seen("identified", int(self._identified))

    def _is_echo(self) -> bool:
        """Whether what came before any acknowledge is what was sent, in order; one leading 00 or FF is forgiven."""
        received, sent = bytes(self._in), bytes(self._out)
        if received[:1] in _GLITCH and sent[:1] != received[:1]:
            received = received[1:]
        if not received or len(received) > _KEPT_OUT or (self._answered and len(received) < 2):
            return False
        return sent.startswith(received)


def _configured(setup: Setup, reading: _Reading, run: _Run | None, stale: bool = False) -> Configured:
    repeats, unsteady = (run.repeats, run.unsteady) if run else (1, False)
    return Configured(setup[0], reading.seen, *setup[1:], repeats, unsteady, stale, reading.asked)


def _codes(seen: tuple[Observation, ...]) -> frozenset[str]:
    return frozenset(one.id for one in seen)


def _stays_low(before: frozenset[str], now: frozenset[str]) -> bool:
    """A line that is held low shows it once: without an edge nothing more arrives."""
    return "low" in before and now == {"silence"}


def _is_get(command: str) -> bool:
    return command.casefold().startswith("get")
