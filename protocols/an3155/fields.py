"""The fields of every command in their order (AN3155 Rev 20 s.3): one table of steps, with the plain words for each.

Belongs here: who sends a field, its size, what it is. What follows from a field's value is for the observer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from protocols.an3155.frames import Opcode
from protocols.family import Direction, Role

T_ACK: Final = "acknowledge (ACK)"


@dataclass(frozen=True, slots=True)
class Step:
    """One field: who sends it, what it is, and its size in bytes (None: the count that a field before gave).

    `fit` is what the xor of the packet gives at a check byte: 0, or 0xFF for a lone byte and its complement.
    """

    direction: Direction
    role: Role
    what: str
    size: int | None = 1
    fit: int = 0


def _out(role: Role, what: str, size: int | None = 1, fit: int = 0) -> Step:
    return Step("out", role, what, size, fit)


def _in(role: Role, what: str, size: int | None = 1) -> Step:
    return Step("in", role, what, size)


_CHECK: Final = _out(Role.CHECK, "checksum")
_LONE_CHECK: Final = _out(Role.CHECK, "complement", fit=0xFF)
_ANSWERED: Final = _in(Role.ACK, T_ACK)
_ADDRESS: Final = (_out(Role.ADDRESS, "address", 4), _CHECK, _ANSWERED)
_PACKET: Final = (_out(Role.LENGTH, "length", 2), _out(Role.DATA, "data", None), _CHECK, _ANSWERED)
_STATUS: Final = (_in(Role.LENGTH, "status length", 2), _in(Role.VALUE, "status", None), _ANSWERED)
_SUB: Final = (_out(Role.COMMAND, "sub-command", 2), _CHECK, _ANSWERED)

# after opcode and complement, in the order of the note (s.3.1 to s.3.15)
STEPS: Final[dict[int, tuple[Step, ...]]] = {
    Opcode.GET: (
        _ANSWERED,
        _in(Role.LENGTH, "number of commands"),
        _in(Role.VALUE, "protocol version"),
        _in(Role.VALUE, "commands", None),
        _ANSWERED,
    ),
    Opcode.GET_VERSION: (_ANSWERED, _in(Role.VALUE, "protocol version"), _in(Role.VALUE, "option bytes", 2), _ANSWERED),
    Opcode.GET_ID: (_ANSWERED, _in(Role.LENGTH, "length of the id"), _in(Role.VALUE, "product id", None), _ANSWERED),
    Opcode.READ_MEMORY: (
        _ANSWERED,
        *_ADDRESS,
        _out(Role.LENGTH, "bytes to read"),
        _LONE_CHECK,
        _ANSWERED,
        _in(Role.DATA, "memory", None),
    ),
    Opcode.GO: (_ANSWERED, *_ADDRESS),
    Opcode.WRITE_MEMORY: (
        _ANSWERED,
        *_ADDRESS,
        _out(Role.LENGTH, "bytes to write"),
        _out(Role.DATA, "memory", None),
        _CHECK,
        _ANSWERED,
    ),
    Opcode.ERASE: (_ANSWERED, _out(Role.LENGTH, "pages"), _out(Role.VALUE, "page numbers", None), _CHECK, _ANSWERED),
    Opcode.EXTENDED_ERASE: (
        _ANSWERED,
        _out(Role.LENGTH, "pages", 2),
        _out(Role.VALUE, "page numbers", None),
        _CHECK,
        _ANSWERED,
    ),
    Opcode.WRITE_PROTECT: (
        _ANSWERED,
        _out(Role.LENGTH, "sectors"),
        _out(Role.VALUE, "sector numbers", None),
        _CHECK,
        _ANSWERED,
    ),
    Opcode.WRITE_UNPROTECT: (_ANSWERED, _ANSWERED),
    Opcode.READOUT_PROTECT: (_ANSWERED, _ANSWERED),
    Opcode.READOUT_UNPROTECT: (_ANSWERED, _ANSWERED),
    Opcode.GET_CHECKSUM: (
        _ANSWERED,
        *_ADDRESS,
        _out(Role.LENGTH, "words", 4),
        _CHECK,
        _ANSWERED,
        _out(Role.VALUE, "polynomial", 4),
        _CHECK,
        _ANSWERED,
        _out(Role.VALUE, "initial value", 4),
        _CHECK,
        _ANSWERED,
        _in(Role.VALUE, "CRC", 4),
        _in(Role.CHECK, "checksum"),
    ),
    Opcode.SPECIAL: (_ANSWERED, *_SUB, *_PACKET, _in(Role.LENGTH, "length", 2), _in(Role.DATA, "data", None), *_STATUS),
    Opcode.EXTENDED_SPECIAL: (_ANSWERED, *_SUB, *_PACKET, *_PACKET, *_STATUS),
}
# s.3.7, s.3.8: a lone 0xFF, or a special code, has no page list
ERASE_ALL_TAIL: Final = (_LONE_CHECK, _ANSWERED)
SPECIAL_ERASE_TAIL: Final = (_CHECK, _ANSWERED)
# AN2606 Rev 70 Table 4: what a write to the voltage byte of F2/F4/F7 holds after its address
SUPPLY_TAIL: Final = (
    _CHECK,
    _ANSWERED,
    _out(Role.LENGTH, "bytes to write"),
    _out(Role.VALUE, "supply voltage", None),
    _CHECK,
    _ANSWERED,
)
AFTER_SYNC: Final = (_ANSWERED,)
COMPLEMENT: Final = _out(Role.CHECK, "complement", fit=0xFF)
