"""Captures: the event stream as a pcapng file of link type 250, written as it happens and read back exactly.

    with a writer: one event = one enhanced packet = one unbuffered write, so a killed process leaves a readable file
    with a reader: a memory map walked once; what stands before damage is read, damage is named with its offset

Block layer in `blocks`, packet payload in `rtac`. Sources: draft-ietf-opsawg-pcapng, LINKTYPE_RTAC_SERIAL.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import stat
import struct
from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Final

from console import __version__
from console.clock import Clock, MonotonicClock
from console.errors import InputTrouble
from console.events import Chunk, Event, LineEvent, LineKind, Mark, MarkKind, Value
from console.record import blocks, rtac
from console.words import count_of

TOOL: Final = "wakeline"
_LATEST_NS: Final = 2**63 - 1  # the rest of the console keeps times as signed 64-bit
_OUT: Final = blocks.options([(blocks.OPT_EPB_FLAGS, struct.pack("<I", 2))])
_IN: Final = blocks.options([(blocks.OPT_EPB_FLAGS, struct.pack("<I", 1))])


class CaptureWriter:
    """Appends events to a capture. A failed write is raised once as InputTrouble; later events are dropped."""

    def __init__(self, path: Path, descriptor: int, clock: Clock | None) -> None:
        self._path = path
        self._fd = descriptor
        self._clock = clock
        self._size = 0
        self._state = 0
        self._last_ns: int | None = None
        self._failed = False
        self._ended = False

    @classmethod
    def create(
        cls, path: str | os.PathLike[str], *, port: str, baud: int, clock: Clock | None = None, overwrite: bool = False
    ) -> CaptureWriter:
        """A new capture of one port; `baud` in bit/s. Raises InputTrouble when the file is there or cannot be made."""
        where = Path(path)
        flags = os.O_WRONLY | os.O_CREAT | getattr(os, "O_BINARY", 0) | (os.O_TRUNC if overwrite else os.O_EXCL)
        try:
            descriptor = os.open(where, flags, 0o644)
        except FileExistsError as error:
            raise InputTrouble(
                "record-exists",
                "the file is there already",
                where=str(where),
                help="choose another name or add --overwrite",
            ) from error
        except OSError as error:
            raise _record_failed(where, error) from error
        writer = cls(where, descriptor, clock)
        applied = [(blocks.OPT_USERAPPL, f"{TOOL} {__version__}".encode())]
        section = struct.pack("<IHHq", blocks.MAGIC, 1, 0, -1) + blocks.options(applied)
        name = port.encode("utf-8", "backslashreplace")[: blocks.OPTION_LIMIT]
        described = [
            (blocks.OPT_IF_NAME, name),
            (blocks.OPT_IF_SPEED, struct.pack("<Q", baud)),
            (blocks.OPT_IF_TSRESOL, b"\x09"),
        ]
        interface = struct.pack("<HHI", rtac.LINK_TYPE, 0, 0) + blocks.options(described)
        try:
            writer._append(blocks.block(blocks.SECTION, section) + blocks.block(blocks.INTERFACE, interface))
        except InputTrouble:
            writer.close()
            raise
        return writer

    def write(self, event: Event) -> None:
        """Append one event. Raises InputTrouble (record-failed) the first time the file cannot take it."""
        if self._failed or self._fd < 0:
            return
        self._last_ns = event.t_ns
        if isinstance(event, Chunk):
            out = event.direction == "out"
            head = rtac.header(event.t_ns, rtac.TX_START if out else rtac.RX_START, self._state)
            self._append(blocks.packet(event.t_ns, head + event.data, _OUT if out else _IN))
        elif isinstance(event, LineEvent):
            if event.kind is LineKind.LINES:
                self._state = rtac.line_bits(event.lines)
            flags = struct.pack("<I", 1)
            self._packet(event.t_ns, rtac.KIND_CODES[event.kind], event.data, rtac.line_comments(event), flags)
        else:
            ends = event.kind is MarkKind.END
            self._ended = self._ended or ends
            comments = [] if ends and not event.fields else rtac.mark_comments(event)
            self._packet(event.t_ns, rtac.COMPLETE if ends else rtac.STATUS_CHANGE, b"", comments, b"")

    def close(self) -> None:
        """End the record cleanly and close the file; may be called twice. Raises InputTrouble when that fails."""
        if self._fd < 0:
            return
        try:
            if not self._ended and not self._failed:
                last = self._last_ns
                now = (self._clock or MonotonicClock()).now_ns() if self._clock or last is None else last
                self.write(Mark(max(now, last or 0), MarkKind.END))
        finally:
            descriptor, self._fd = self._fd, -1
            os.close(descriptor)

    def _packet(self, t_ns: int, kind: int, data: bytes, comments: list[str], flags: bytes) -> None:
        items = [(blocks.OPT_COMMENT, text.encode("ascii")) for text in comments]
        if flags:
            items.append((blocks.OPT_EPB_FLAGS, flags))
        self._append(blocks.packet(t_ns, rtac.header(t_ns, kind, self._state) + data, blocks.options(items)))

    def _append(self, whole: bytes) -> None:
        try:
            written = os.write(self._fd, whole)
            while written < len(whole):  # a nearly full disk takes a part; the next write names the reason
                written += os.write(self._fd, whole[written:])
        except OSError as error:
            self._failed = True
            with contextlib.suppress(OSError):  # a device cannot be cut; the reader copes with a half block
                os.ftruncate(self._fd, self._size)  # no half block: what was recorded stays readable
            raise _record_failed(self._path, error) from error
        self._size += len(whole)


def read_events(path: str | os.PathLike[str]) -> Iterator[Event]:
    """Every readable event of a capture, in file order. Raises InputTrouble as CaptureFile does."""
    yield from CaptureFile(path).events()


class CaptureFile:
    """A capture to read. Everything said about damage belongs to the last walk of `events`.

    Raises InputTrouble when there is no such file, it is no capture, or damage stands before the first packet.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self.truncated_at: int | None = None
        self.foreign = True
        self._settings: dict[str, Value] = {}
        self._at = 0
        self._size = 0
        self._damage: list[str] = []
        self._counts: Counter[str] = Counter()
        for event in self.events():
            if isinstance(event, Mark) and event.kind is MarkKind.SETTINGS:
                self._settings |= event.fields
            break
        self._restart()

    @property
    def settings(self) -> Mapping[str, Value]:
        """Port and baud of the interface, and what a settings mark at the beginning adds."""
        return self._settings

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was skipped or is damaged, in words without foreign text."""
        return (*self._damage, *(f"{what}: {count}" for what, count in self._counts.items()))

    @property
    def progress(self) -> float:
        """Bytes walked of the bytes of the file, 0..1."""
        return self._at / self._size if self._size else 0.0

    def events(self) -> Iterator[Event]:
        """Walk the file from its beginning. Raises InputTrouble."""
        self._restart()
        with _mapped(self.path) as buffer:
            self._size = len(buffer)
            any_packet = ended = False
            try:
                for event in self._walk(buffer):
                    any_packet = True
                    if isinstance(event, Mark) and event.kind is MarkKind.END:
                        ended = True
                    yield event
            except blocks.Damage as damage:
                if not any_packet:
                    raise self._trouble(damage.code, damage.message, damage.offset) from damage
                self.truncated_at = damage.offset
                what = "the tail is cut" if damage.cut else "damage"
                self._damage.append(f"{what} at offset {damage.offset}: {damage.message} [{damage.code}]")
            if not ended and self.foreign:
                self._damage.append("the capture has no end packet: whether it is complete cannot be told")
            elif not ended:
                self._damage.append("the record has no clean end: the program was stopped or the file was cut")
            self._at = self._size

    def _restart(self) -> None:
        self.truncated_at = None
        self._at = 0
        self._damage = []
        self._counts = Counter()

    def _trouble(self, code: str, message: str, offset: int) -> InputTrouble:
        return InputTrouble(
            code,
            message,
            where=f"{self.path}, offset {offset}",
            help="use a pcapng capture of link type 250, or record the session again",
        )

    def _walk(self, buffer: mmap.mmap) -> Iterator[Event]:
        size, at, order = len(buffer), 0, ""
        interfaces: list[blocks.Interface] = []
        link_types: set[int] = set()
        first = True
        head = struct.Struct("<7I")
        while at < size:
            self._at = at
            if size - at < 8:
                raise blocks.Damage(
                    "capture-cut", at, f"{count_of(size - at, 'byte')} left: too few for a block", cut=True
                )
            if buffer[at : at + 4] == b"\n\r\r\n":
                order = blocks.section_order(buffer, at)
                length = blocks.block_length(buffer, at, order)
                writer = blocks.read_section(buffer, at, length, order)
                interfaces, head = [], struct.Struct(order + "7I")
                if first:
                    self.foreign, first = not writer.startswith(f"{TOOL} "), False
                at += length
                continue
            if not order:
                raise blocks.Damage("capture-not-pcapng", at, "this is not a pcapng capture")
            length = blocks.block_length(buffer, at, order)
            (kind,) = struct.unpack_from(order + "I", buffer, at)
            if kind == blocks.PACKET:
                if length < blocks.EPB_HEAD + 4:
                    raise blocks.Damage("capture-block-short", at, f"a packet block of {length} bytes; 32 is the least")
                _, _, number, high, low, captured, original = head.unpack_from(buffer, at)
                if number >= len(interfaces):
                    message = f"interface {number} is used, the section has {len(interfaces)}"
                    raise blocks.Damage("capture-interface", at, message)
                body = at + blocks.EPB_HEAD
                if captured > length - blocks.EPB_HEAD - 4:
                    message = f"a packet of {captured} bytes reaches beyond its block of {length} bytes"
                    raise blocks.Damage("capture-packet-length", at, message)
                face = interfaces[number]
                if face.link_type != rtac.LINK_TYPE:
                    self._counts[f"packets of link type {face.link_type} skipped"] += 1
                elif captured < rtac.HEADER:
                    self._counts["packets shorter than the 12-byte header skipped"] += 1
                else:
                    if captured < original:
                        self._counts["packets that were shortened when captured"] += 1
                    t_ns = (high << 32) | low
                    if face.resolution != 9 or face.offset_s:
                        t_ns = face.time_ns(t_ns)
                    if not 0 <= t_ns <= _LATEST_NS:
                        self._counts["times out of range, set to the nearest that is in"] += 1
                        t_ns = min(max(t_ns, 0), _LATEST_NS)
                    event, state = buffer[body + 8], buffer[body + 9]
                    payload = buffer[body + 12 : body + captured]
                    begin, end = body + blocks.padded(captured), at + length - 4
                    comments: list[str] = []
                    # twelve bytes are flags and the end marker: no comment fits beside them
                    if end - begin > 0 and not (end - begin == 12 and buffer[begin : begin + 4] in _FLAGS_HEAD):
                        comments = [
                            value.decode("utf-8", "backslashreplace")
                            for code, value in blocks.read_options(buffer, begin, end, order)
                            if code == blocks.OPT_COMMENT
                        ]
                    if not comments and (event == rtac.TX_START or event == rtac.RX_START):
                        yield Chunk(t_ns, "out" if event == rtac.TX_START else "in", payload)
                    else:
                        if not rtac.known(event):
                            self._counts["packets of an unknown event type skipped"] += 1
                        yield from rtac.decode(t_ns, event, state, payload, comments)
            elif kind == blocks.INTERFACE:
                face = blocks.read_interface(buffer, at, length, order)
                interfaces.append(face)
                link_types.add(face.link_type)
                if face.link_type == rtac.LINK_TYPE and not self._settings:
                    self._settings = {"port": face.name, "baud": face.speed}
            elif kind == blocks.SIMPLE_PACKET:
                self._counts["simple packets without a time skipped"] += 1
            at += length
        if rtac.LINK_TYPE not in link_types:
            found = ", ".join(str(number) for number in sorted(link_types)[:8])
            told = f"its link type is {found}" if found else "it describes no interface"
            raise self._trouble("capture-link-type", f"this capture is of no serial line: {told}, not 250", 0)


_FLAGS_HEAD: Final = (b"\x02\x00\x04\x00", b"\x00\x02\x00\x04")


def _mapped(path: Path) -> mmap.mmap:
    """The file as a read-only memory map. Raises InputTrouble."""
    try:
        mode = os.stat(path).st_mode
        if stat.S_ISDIR(mode):
            raise InputTrouble("capture-directory", "this is a directory", where=str(path), help="name a capture in it")
        if not stat.S_ISREG(mode):
            raise InputTrouble("capture-no-file", "this is no plain file", where=str(path), help="save it to a file")
        with path.open("rb") as file:
            if os.fstat(file.fileno()).st_size == 0:
                raise InputTrouble("capture-empty", "the file is empty", where=str(path), help="record again")
            return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except FileNotFoundError as error:
        raise InputTrouble("capture-missing", "no such file", where=str(path), help="check the name") from error
    except PermissionError as error:
        raise InputTrouble(
            "capture-permission", "the file may not be read", where=str(path), help="ask its owner for leave to read it"
        ) from error
    except (OSError, ValueError) as error:
        raise InputTrouble(
            "capture-unreadable", f"the file cannot be read: {error}", where=str(path), help="copy it to a local disk"
        ) from error


def _record_failed(path: Path, error: OSError) -> InputTrouble:
    return InputTrouble(
        "record-failed",
        f"the record cannot be written: {error.strerror or error}",
        where=str(path),
        help="make room or choose another place; what was recorded so far stays readable",
    )
