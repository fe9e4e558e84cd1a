"""Worked bytes from the published notes, a scripted chip for the host, and a host-and-target pair with spoiled bytes.

`D` in a source means: worked out from the note by arithmetic; the other sources hold the bytes or the rule.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pytest

from protocols.an3155 import contact, frames, host, special
from protocols.an3155.target import COMMANDS_EXTENDED, Chip, Reply, Target
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.errors import NoReply
from protocols.family import SyncResult

CODES_43 = bytes.fromhex("00 01 02 11 21 31 43 63 73 82 92")
BLOCK = bytes(range(256))
V31 = Chip(loader_version=0x31)


@dataclass(frozen=True)
class Vector:
    """One exchange. `turns` are (host, chip) bytes; `call` is the host's conversation, None when no host sends this."""

    number: str
    source: str
    turns: tuple[tuple[str, str], ...]
    call: Callable[[], Conversation[Any]] | None = None
    result: Any = None
    refused_at: str = ""
    chip: Chip = V31
    loaded: tuple[tuple[int, bytes], ...] = ()
    synchronised: bool = True
    check: Callable[[Target], bool] = field(default=lambda target: True)


EXT = Chip(loader_version=0x31, commands=COMMANDS_EXTENDED)
H5 = Chip(loader_version=0x40, commands=tuple(bytes.fromhex("00 01 02 11 21 31 44 50 63 73")))
V33 = Chip(loader_version=0x33, commands=(*COMMANDS_EXTENDED, 0xA1))
U5 = Chip(loader_version=0x31, commands=(*COMMANDS_EXTENDED, 0x50), specials=((0x82, b"", b"\0"),))
F2 = Chip(loader_version=0x31, commands=COMMANDS_EXTENDED, voltage_byte=True)
FLASH = 0x0800_0000


def _blank(start: int, size: int) -> Callable[[Target], bool]:
    return lambda target: target.memory.read(FLASH + start, size) == b"\xff" * size


VECTORS = (
    Vector("1", "AN3155 Rev 20 s.1", (("7F", "79"),), contact.sync, SyncResult(), synchronised=False),
    Vector(
        "2",
        "AN3155 Rev 20 s.3.1 (v3.1, Erase)",
        (("00 FF", "79 0B 31 00 01 02 11 21 31 43 63 73 82 92 79"),),
        host.get,
        (0x31, tuple(CODES_43)),
    ),
    Vector(
        "3",
        "AN3155 Rev 20 s.3.1 (v3.1, Extended Erase)",
        (("00 FF", "79 0B 31 00 01 02 11 21 31 44 63 73 82 92 79"),),
        host.get,
        (0x31, tuple(COMMANDS_EXTENDED)),
        chip=EXT,
    ),
    Vector(
        "4",
        "AN3155 Rev 20 s.3.1 (its H5 example, N = 10)",
        (("00 FF", "79 0A 40 00 01 02 11 21 31 44 50 63 73 79"),),
        host.get,
        (0x40, H5.commands),
        chip=H5,
    ),
    Vector(
        "5",
        "AN3155 Rev 20 s.3.1 with s.3.13 (v3.3; N = 12 worked out, D)",
        (("00 FF", "79 0C 33 00 01 02 11 21 31 44 63 73 82 92 A1 79"),),
        host.get,
        (0x33, V33.commands),
        chip=V33,
    ),
    Vector("6", "AN3155 Rev 20 s.3.2", (("01 FE", "79 31 00 00 79"),), host.get_version, (0x31, b"\0\0")),
    Vector("7", "AN3155 Rev 20 s.3.3; AN2606 Rev 70 Table 226", (("02 FD", "79 01 04 10 79"),), host.get_id, 0x410),
    Vector(
        "8",
        "AN3155 Rev 20 s.3.4; ACK before the data: AN2662 Rev 1 Fig 10",
        (("11 EE", "79"), ("08 00 00 00 08", "79"), ("03 FC", "79 DE AD BE EF")),
        lambda: host.read_memory(FLASH, 4),
        b"\xde\xad\xbe\xef",
        loaded=((FLASH, b"\xde\xad\xbe\xef"),),
    ),
    Vector(
        "9",
        "AN3155 Rev 20 s.3.4, two bytes of system memory",
        (("11 EE", "79"), ("1F FF F7 E0 F7", "79"), ("01 FE", "79 80 00")),
        lambda: host.read_memory(0x1FFF_F7E0, 2),
        b"\x80\0",
        loaded=((0x1FFF_F7E0, b"\x80\0"),),
    ),
    Vector(
        "10",
        "AN3155 Rev 20 s.3.4, 256 bytes",
        (("11 EE", "79"), ("08 00 7C 00 74", "79"), ("FF 00", "79" + BLOCK.hex())),
        lambda: host.read_memory(0x0800_7C00, 256),
        BLOCK,
        loaded=((0x0800_7C00, BLOCK),),
    ),
    Vector(
        "11",
        "AN3155 Rev 20 s.3.6",
        (("31 CE", "79"), ("08 00 00 00 08", "79"), ("03 01 02 03 04 07", "79")),
        lambda: host.write_memory(FLASH, b"\1\2\3\4"),
        check=lambda t: t.memory.read(FLASH, 4) == b"\1\2\3\4",
    ),
    Vector(
        "12",
        "AN3155 Rev 20 s.3.6, RAM",
        (("31 CE", "79"), ("20 00 10 00 30", "79"), ("07 DE AD BE EF 00 11 22 33 25", "79")),
        lambda: host.write_memory(0x2000_1000, bytes.fromhex("DEADBEEF00112233")),
        check=lambda t: t.memory.read(0x2000_1000, 8) == bytes.fromhex("DEADBEEF00112233"),
    ),
    Vector(
        "13",
        "AN3155 Rev 20 s.3.5",
        (("21 DE", "79"), ("08 00 00 00 08", "79")),
        lambda: host.go(FLASH),
        loaded=((FLASH, bytes.fromhex("00 50 00 20 01 01 00 08")),),
        check=lambda t: t.running_application and t.entry == (0x2000_5000, 0x0800_0101),
    ),
    Vector(
        "14",
        "AN3155 Rev 20 s.3.7",
        (("43 BC", "79"), ("02 00 01 02 01", "79")),
        lambda: host.erase([0, 1, 2]),
        loaded=((FLASH, bytes(4096)),),
        check=lambda t: _blank(0, 3072)(t) and t.memory.read(FLASH + 3072, 1024) == bytes(1024),
    ),
    Vector(
        "15",
        "AN3155 Rev 20 s.3.7, global",
        (("43 BC", "79"), ("FF 00", "79")),
        host.erase,
        loaded=((FLASH, bytes(128 * 1024)),),
        check=_blank(0, 128 * 1024),
    ),
    Vector(
        "16",
        "AN3155 Rev 20 s.3.8, mass",
        (("44 BB", "79"), ("FF FF 00", "79")),
        lambda: host.extended_erase(frames.SpecialErase.MASS),
        chip=EXT,
        loaded=((FLASH, bytes(128 * 1024)),),
        check=_blank(0, 128 * 1024),
    ),
    Vector(
        "17a",
        "AN3155 Rev 20 s.3.8, bank 1",
        (("44 BB", "79"), ("FF FE 01", "79")),
        lambda: host.extended_erase(frames.SpecialErase.BANK_1),
        chip=EXT,
        loaded=((FLASH, bytes(128 * 1024)),),
        check=lambda t: _blank(0, 65536)(t) and not _blank(65536, 4)(t),
    ),
    Vector(
        "17b",
        "AN3155 Rev 20 s.3.8, bank 2",
        (("44 BB", "79"), ("FF FD 02", "79")),
        lambda: host.extended_erase(frames.SpecialErase.BANK_2),
        chip=EXT,
        loaded=((FLASH, bytes(128 * 1024)),),
        check=lambda t: _blank(65536, 65536)(t) and not _blank(0, 4)(t),
    ),
    Vector(
        "18",
        "AN3155 Rev 20 s.3.8, pages 3 and 260",
        (("44 BB", "79"), ("00 01 00 03 01 04 07", "79")),
        lambda: host.extended_erase([3, 260]),
        chip=Chip(loader_version=0x31, commands=COMMANDS_EXTENDED, flash_size=512 * 1024),
        loaded=((FLASH, bytes(512 * 1024)),),
        check=lambda t: _blank(3072, 1024)(t) and _blank(260 * 1024, 1024)(t) and not _blank(0, 4)(t),
    ),
    Vector(
        "19",
        "AN3155 Rev 20 s.3.8, one page",
        (("44 BB", "79"), ("00 00 00 07 07", "79")),
        lambda: host.extended_erase([7]),
        chip=EXT,
    ),
    Vector(
        "20",
        "AN3155 Rev 20 s.3.9",
        (("63 9C", "79"), ("01 00 03 02", "79")),
        lambda: host.write_protect([0, 3]),
        check=lambda t: t.memory.locked == {0, 3},
    ),
    Vector("21a", "AN3155 Rev 20 s.3.10", (("73 8C", "79 79"),), host.write_unprotect),
    Vector("21b", "AN3155 Rev 20 s.3.11", (("82 7D", "79 79"),), host.readout_protect, check=lambda t: t.protected),
    Vector(
        "21c",
        "AN3155 Rev 20 s.3.12",
        (("92 6D", "79 79"),),
        host.readout_unprotect,
        chip=Chip(loader_version=0x31, readout_protected=True),
        loaded=((FLASH, bytes(128 * 1024)),),
        check=lambda t: not t.protected and _blank(0, 128 * 1024)(t),
    ),
    *(
        Vector(
            f"22{letter}",
            "AN3155 Rev 20 s.3.13; CRC flavour measured by users on the I2C sibling, value D",
            (
                ("A1 5E", "79"),
                ("08 00 00 00 08", "79"),
                ("00 00 00 40 40", "79"),
                ("04 C1 1D B7 6F", "79"),
                ("FF FF FF FF 00", "79" * (2 if twice else 1) + "7B EA EA 80 FB"),
            ),
            lambda: host.get_checksum(FLASH, 64),
            0x7BEA_EA80,
            chip=Chip(loader_version=0x33, commands=V33.commands, checksum_ack_twice=twice),
        )
        for letter, twice in (("a", False), ("b", True))
    ),
    Vector(
        "23",
        "AN3155 Rev 20 s.3.14; AN2606 Rev 70 Table 218 (framing D)",
        (("50 AF", "79"), ("00 82 82", "79"), ("00 04 00 00 00 00 04", "79 00 00 00 01 00 79")),
        lambda: special.special(0x82, bytes(4)),
        (b"", b"\0"),
        chip=U5,
    ),
    Vector(
        "24",
        "AN2606 Rev 70 Table 4",
        (("31 CE", "79"), ("FF FF 00 00 00", "79"), ("00 03 03", "79")),
        lambda: host.write_memory(0xFFFF_0000, b"\x03"),
        chip=F2,
        check=lambda t: t.voltage_range == 3,
    ),
    Vector("25", "AN3155 Rev 20 s.3", (("00 00", "1F"),)),
    Vector(
        "26a",
        "AN3155 Rev 20 s.3.4",
        (("11 EE", "1F"),),
        lambda: host.read_memory(FLASH, 4),
        refused_at="the opcode",
        chip=Chip(loader_version=0x31, readout_protected=True),
    ),
    Vector(
        "26b",
        "AN2606 Rev 70 Table 74 (two NACKs)",
        (("11 EE", "1F 1F"),),
        lambda: host.read_memory(FLASH, 4),
        refused_at="the opcode",
        chip=Chip(loader_version=0x31, readout_protected=True, second_nack=True),
    ),
    Vector("27", "AN3155 Rev 20 s.3.4", (("11 EE", "79"), ("08 00 00 00 09", "1F"))),
    Vector(
        "28a",
        "AN3155 Rev 20 s.3.4, Table 3 (v3.1)",
        (("11 EE", "79"), ("60 00 00 00 60", "1F")),
        lambda: host.read_memory(0x6000_0000, 4),
        refused_at="the address",
    ),
    Vector(
        "28b",
        "AN3155 Rev 20 Table 3 (before v3.1)",
        (("11 EE", "79"), ("60 00 00 00 60", "")),
        lambda: host.read_memory(0x6000_0000, 4, silent_refusal=True),
        refused_at="the address (in silence, as loaders before v3.1 do)",
        chip=Chip(loader_version=0x30),
    ),
    Vector(
        "29",
        "AN3155 Rev 20 s.3 (pairs), D",
        (("7F", ""), ("7F", "1F")),
        contact.sync,
        SyncResult(already_synchronised=True),
    ),
    Vector("30", "AN3155 Rev 20 s.3, Table 2 note 1", (("55 AA", "1F"),)),
)


@dataclass
class Run:
    """What a conversation did."""

    result: Any
    sent: list[bytes]
    stray: bytes


def converse(
    conversation: Conversation[Any], answer: Callable[[bytes], bytes], strays: list[bytes] | None = None
) -> Run:
    """Drive a conversation without time: what is not there at once will never come. `strays` is filled as it goes."""
    buffer, sent, stray = bytearray(), [], b""
    reply: bytes | None = None
    error: NoReply | None = None
    while True:
        try:
            ask = conversation.throw(error) if error else conversation.send(reply)  # type: ignore[arg-type]
        except StopIteration as stop:
            return Run(stop.value, sent, stray)
        error, reply = None, b""
        match ask:
            case Send(data):
                sent.append(data)
                buffer += answer(data)
            case Stray(data):
                stray += data
                if strays is not None:
                    strays.append(data)
            case Want(count, within_s, what, optional):
                assert count >= 1
                assert within_s > 0
                reply = bytes(buffer[:count])
                del buffer[:count]
                if len(reply) < count and not optional:
                    error = NoReply(what, reply)


def chip_bytes(replies: Sequence[Reply]) -> bytes:
    assert all(reply.after_s >= 0 for reply in replies)
    return b"".join(reply.data for reply in replies)


Spoil = Callable[[int, int], tuple[int, bool]]


def pair(
    target: Target, *, out: Spoil | None = None, into: Callable[[bytes], bytes] | None = None, chopped: int = -1
) -> Callable[[bytes], bytes]:
    """The wire between host and target: `out(index, byte)` -> (byte, parity_ok) on the way to the chip, `into` on the
    way back; byte number `chopped` never arrives."""
    count = 0

    def answer(data: bytes) -> bytes:
        nonlocal count
        back = b""
        for byte in data:
            seen, good = out(count, byte) if out else (byte, True)
            if count != chopped:
                back += chip_bytes(target.receive(seen, parity_ok=good))
            count += 1
        return into(back) if into else back

    return answer


@pytest.fixture(params=VECTORS, ids=lambda vector: f"{vector.number}-{vector.source.split(' (')[0]}")
def vector(request: pytest.FixtureRequest) -> Vector:
    """Every worked exchange."""
    return request.param


@pytest.fixture(params=[v for v in VECTORS if v.call], ids=lambda vector: vector.number)
def host_vector(request: pytest.FixtureRequest) -> Vector:
    """The exchanges a host of ours can start (it cannot send a wrong complement or checksum)."""
    return request.param


@pytest.fixture(name="converse", scope="session")
def _converse() -> Callable[..., Run]:
    return converse


@pytest.fixture(name="pair")
def _pair() -> Callable[..., Callable[[bytes], bytes]]:
    return pair


@pytest.fixture(name="chip_bytes")
def _chip_bytes() -> Callable[[Sequence[Reply]], bytes]:
    return chip_bytes


@pytest.fixture
def ready(vector: Vector) -> Target:
    """The chip of a vector, memories loaded, synchronised unless the vector is the sync itself."""
    return make(vector)


def make(vector: Vector) -> Target:
    target = Target(vector.chip)
    for address, data in vector.loaded:
        target.memory.load(address, data)
    if vector.synchronised:
        target.receive(frames.SYNC)
    return target


@pytest.fixture(name="make")
def _make() -> Callable[[Vector], Target]:
    return make
