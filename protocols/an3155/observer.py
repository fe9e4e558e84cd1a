"""Names every byte of both directions from AN3155 Rev 20, without taking part.

Belongs here: where in a command the two sides are, and what a field's value means in words; the order of the fields is
in `fields`. Knows neither time nor who listens. Works on slices, never byte by byte, so that noise by the megabyte
costs little.

What it does when the line does not follow the note:
- bytes from the host while an answer is due begin a new command; a NACK ends the command;
- after a pair that does not fit, only a sync or a word from the chip begins anew;
- bytes from the chip that no step expects are strays; those equal to what was just sent are its echo.
"""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import takewhile
from typing import Final

from protocols.an3155.fields import (
    AFTER_SYNC,
    COMPLEMENT,
    ERASE_ALL_TAIL,
    SPECIAL_ERASE_TAIL,
    STEPS,
    SUPPLY_TAIL,
    T_ACK,
    Step,
)
from protocols.an3155.frames import (
    ACK,
    ERASE_ALL,
    FILLER,
    NACK,
    SPECIAL_ERASE_FROM,
    SYNC,
    Opcode,
    SpecialErase,
    opcode_name,
    version_text,
    xor,
)
from protocols.an3155.products import names_for
from protocols.an3155.supply import SUPPLY_ADDRESS, words_for
from protocols.family import Direction, Identity, Role, Span

_KNOWN: Final = frozenset(Opcode)
_ANSWER: Final = re.compile(rb"[\x79\x1f]")
_SYNCS: Final = re.compile(rb"\x7f+")
_MAX_ECHO: Final = 1024

_T_FILLER: Final = "filler: completes what a sync may have begun"
_T_NACK: Final = "refused (NACK)"
_T_ACK_AGAIN: Final = "second acknowledge (ACK), some loaders send it"
_T_NACK_AGAIN: Final = "second refusal (NACK), some loaders send it while protected"
_T_STRAY: Final = "stray: nothing was asked"
_T_NOISE: Final = "stray: neither ACK nor NACK"
_T_ZERO: Final = "stray 00, common before the ACK when nothing drives the line"
_T_ECHO: Final = "echo of the byte just sent"
_T_LOST: Final = "not the start of a command"
_MAX_KEPT: Final = 256  # the longest field whose value is used: the command codes of Get


class An3155Observer:
    """Implements `protocols.family.Observer` for AN3155."""

    def __init__(self) -> None:
        self._identity = Identity()
        self._offset: dict[Direction, int] = {"out": 0, "in": 0}
        self.restart()

    @property
    def identity(self) -> Identity:
        """What the target has said so far."""
        return self._identity

    def restart(self) -> None:
        """Forget what was pending; identity and offsets stay."""
        self._version: str | None = None
        self._codes: tuple[str, ...] = ()
        self._product: int | None = None
        self._echo = bytearray()  # sent, not answered
        self._echoing = False
        self._again = b""  # the one byte that may come twice right now
        self._lost = False
        self._zero_seen = False
        self._begin(None, "", ())

    def feed(self, direction: Direction, data: bytes) -> list[Span]:
        """Name `data`; the spans' data, joined, equal it."""
        spans: list[Span] = []
        at, end = 0, len(data)
        start = self._offset[direction]
        while at < end:
            size, role, text, command = self._sent(data, at) if direction == "out" else self._came(data, at)
            spans.append(Span(direction, start + at, data[at : at + size], role, text, command))
            at += size
        self._offset[direction] = start + end
        return spans

    # --- host to chip

    def _sent(self, data: bytes, at: int) -> tuple[int, Role, str, str]:
        self._again = b""
        if self._echoing:
            self._forget_echo()
        if self._step is None or self._step.direction == "in":
            named = self._command(data, at)
        else:
            named = self._field(self._step, data, at)
        room = _MAX_ECHO - len(self._echo)
        self._echo += data[at : at + min(named[0], room)]
        return named

    def _command(self, data: bytes, at: int) -> tuple[int, Role, str, str]:
        """A sync, the first byte of a command, or (after a broken pair) bytes that are neither."""
        syncs = _SYNCS.match(data, at)
        if syncs:
            self._lost = False
            self._begin(None, "", AFTER_SYNC)
            self._syncing = True
            return syncs.end() - at, Role.SYNC, "sync", ""
        code = data[at]
        if self._syncing and self._step is not None and code == FILLER:  # not answered yet
            return 1, Role.SYNC, _T_FILLER, ""
        if self._lost:  # only a sync or a word from the chip (`_came`) brings the two sides in step again
            found = data.find(SYNC, at)
            return (len(data) if found < 0 else found) - at, Role.STRAY, _T_LOST, ""
        name = opcode_name(code) if code in _KNOWN else ""
        self._begin(code, name, (COMPLEMENT, *STEPS.get(code, AFTER_SYNC)))
        self._xor = code
        return 1, Role.COMMAND, f"{name}: opcode" if name else f"unknown opcode 0x{code:02X}", name

    # --- chip to host

    def _came(self, data: bytes, at: int) -> tuple[int, Role, str, str]:
        step, again = self._step, self._again
        self._again = b""
        self._lost = False
        if self._echo and (self._echoing or data[at] not in (ACK, NACK)):
            same = self._same_as_sent(data, at)
            if same:
                return same, Role.STRAY, _T_ECHO, ""
        self._forget_echo()
        if again and data[at] == again[0]:
            if again[0] == ACK:
                return 1, Role.ACK, _T_ACK_AGAIN, self._name
            return 1, Role.NACK, _T_NACK_AGAIN, self._name
        if step is None or step.direction == "out":
            return len(data) - at, Role.STRAY, _T_STRAY, ""
        if step.role is Role.ACK:
            return self._answer(data, at)
        return self._field(step, data, at)

    def _answer(self, data: bytes, at: int) -> tuple[int, Role, str, str]:
        """ACK or NACK, or the strays before it."""
        found = _ANSWER.search(data, at)
        until = found.start() if found else len(data)
        if until > at:
            if data[at] == 0 and not self._zero_seen:
                self._zero_seen = True
                return 1, Role.STRAY, _T_ZERO, ""
            self._zero_seen = True
            return until - at, Role.STRAY, _T_NOISE, ""
        name = self._name
        if data[at] == NACK:
            self._refused()
            return 1, Role.NACK, _T_NACK, name
        after_sync = self._syncing
        self._accepted()
        self._next()
        if after_sync or (self._code == Opcode.GET_CHECKSUM and self._step is not None and self._step.what == "CRC"):
            self._again = bytes((ACK,))
        return 1, Role.ACK, T_ACK, name

    def _same_as_sent(self, data: bytes, at: int) -> int:
        """How many bytes repeat what was sent and not yet answered."""
        piece = data[at : at + len(self._echo)]
        if not self._echo.startswith(piece):  # the slow way only for a mismatch, at most _MAX_ECHO bytes, once
            pairs = takewhile(lambda pair: pair[0] == pair[1], zip(piece, self._echo, strict=False))
            piece = piece[: sum(1 for _ in pairs)]
        del self._echo[: len(piece)]
        self._echoing = bool(piece)
        return len(piece)

    def _forget_echo(self) -> None:
        self._echo.clear()
        self._echoing = False

    # --- steps

    def _begin(self, code: int | None, name: str, steps: tuple[Step, ...]) -> None:
        self._code = code
        self._name = name
        self._steps = steps
        self._next_at = 0
        self._count = 0
        self._xor = 0
        self._fits = True
        self._opcode_only = True  # no field after the opcode was seen yet
        self._syncing = False
        self._zero_seen = False
        self._step: Step | None = None
        self._next()

    def _next(self) -> None:
        """Go to the next field that has at least one byte, or back to waiting for a command."""
        while self._next_at < len(self._steps):
            step = self._steps[self._next_at]
            self._next_at += 1
            self._left = self._count if step.size is None else step.size
            if self._left:
                self._step = step
                self._kept = b""
                self._zero_seen = False
                return
        self._step = None

    def _field(self, step: Step, data: bytes, at: int) -> tuple[int, Role, str, str]:
        """Take what `data` holds of the field; the piece that completes it carries its value in words."""
        size = min(self._left, len(data) - at)
        piece = data[at : at + size]
        name = self._name
        self._left -= size
        self._xor ^= xor(piece)
        if step.role is not Role.DATA and len(self._kept) < _MAX_KEPT:
            self._kept += piece
        if self._left:
            return size, step.role, step.what, name
        text = self._complete(step, self._kept)
        if step is not COMPLEMENT:
            self._opcode_only = False
        self._next()
        return size, step.role, text, name

    def _complete(self, step: Step, kept: bytes) -> str:
        """Words for a complete field; notes what later fields or the identity need."""
        value = int.from_bytes(kept[:4])
        if step.role is Role.CHECK:
            fits = self._xor == step.fit
            self._xor = 0
            self._fits &= fits
            if step is COMPLEMENT:
                self._lost = not fits
            return step.what if fits else f"{step.what} that does not fit"
        if step.role is Role.ADDRESS:
            if value == SUPPLY_ADDRESS and self._code == Opcode.WRITE_MEMORY:
                self._steps, self._next_at = SUPPLY_TAIL, 0
                return f"address 0x{value:08X}: no memory, but where the supply voltage is stated"
            return f"address 0x{value:08X}"
        if step.role is Role.LENGTH:
            return self._length(step, value)
        match step.what:
            case "protocol version":
                self._version = version_text(value)
                return f"protocol version {self._version}"
            case "commands":
                self._codes = tuple(opcode_name(code) for code in kept)
            case "product id":
                self._product = value
                names = ", ".join(names_for(value)) or "not in AN2606 Rev 70"
                return f"product id 0x{value:03X} ({names})"
            case "supply voltage":
                return f"supply voltage 0x{kept[0]:02X}: {words_for(kept[0])}"
            case "polynomial" | "initial value" | "CRC":
                return f"{step.what} 0x{value:08X}"
            case "sub-command":
                return f"sub-command 0x{value:04X}"
            case "memory" if step.direction == "in" and self._code == Opcode.READ_MEMORY:
                self._identity = replace(self._identity, readout_protected=False)
        return step.what

    def _length(self, step: Step, value: int) -> str:
        """Turn a length field into the count it stands for (most hold "items - 1")."""
        self._count = value
        match self._code:
            case Opcode.GET | Opcode.SPECIAL | Opcode.EXTENDED_SPECIAL:
                return f"{step.what}: {value}"
            case Opcode.GET_CHECKSUM:
                return f"{value} words"
            case Opcode.ERASE if value == ERASE_ALL:
                self._steps, self._next_at = ERASE_ALL_TAIL, 0
                return "erase everything"
            case Opcode.EXTENDED_ERASE if value >= SPECIAL_ERASE_FROM:
                self._steps, self._next_at = SPECIAL_ERASE_TAIL, 0
                known = value in SpecialErase._value2member_map_
                what = SpecialErase(value).name.lower().replace("_", " ") if known else "reserved code"
                return f"special erase: {what}"
        items = value + 1
        self._count = items * 2 if self._code == Opcode.EXTENDED_ERASE else items
        return f"{step.what}: {items}"

    # --- what the answers mean

    def _accepted(self) -> None:
        self._xor = 0
        if self._next_at < len(self._steps):
            return
        known = self._identity
        if self._code == Opcode.GET:
            self._identity = replace(known, loader_version=self._version, commands=self._codes)
        elif self._code == Opcode.GET_VERSION:
            self._identity = replace(known, loader_version=self._version)
        elif self._code == Opcode.GET_ID and self._product is not None:
            self._identity = replace(known, product_id=self._product, names=names_for(self._product))

    def _refused(self) -> None:
        """A NACK ends the command; for a listed Read Memory it means the memory is protected (s.2)."""
        listed = opcode_name(Opcode.READ_MEMORY) in self._identity.commands
        if self._code == Opcode.READ_MEMORY and self._opcode_only and self._fits and listed:
            self._identity = replace(self._identity, readout_protected=True)
        name = self._name
        self._begin(None, name, ())
        self._again = bytes((NACK,))
