"""Captures against tshark's reading of them, the layout of link type 250, damage, and exact round trips."""

from __future__ import annotations

import contextlib
import os
import shutil
import struct
import subprocess
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from console.errors import InputTrouble
from console.events import Chunk, Event, Line, LineEvent, LineKind, Mark, MarkKind
from console.record import blocks
from console.record.pcapng import CaptureFile, CaptureWriter, read_events

T0 = 1_700_000_000_000_000_000
# source: output of tshark 4.0.17 for the vector (-T fields: time, event type, data, comment)
PRINTED: list[Event] = [
    Chunk(T0, "out", b"\x7f"),
    Chunk(T0 + 1_200_000, "in", b"\x79"),
    Chunk(T0 + 2_000_000, "out", b"\x00\xff"),
    LineEvent(T0 + 2_150_000, LineKind.FRAMING, b"\xff"),
    Mark(T0 + 2_150_000, MarkKind.NOTE, {"text": "stop bit low"}),
    Chunk(T0 + 3_300_000, "in", b"\x79\x0b\x31"),
]
QUICK = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60)
needs_tshark = pytest.mark.skipif(shutil.which("tshark") is None, reason="tshark is not installed (Debian package)")

times = st.integers(0, 2**63 - 1)
values = st.one_of(st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), st.text())
line_sets = st.frozensets(st.sampled_from(Line))
events = st.one_of(
    st.builds(Chunk, times, st.sampled_from(["out", "in"]), st.binary(max_size=40)),
    st.builds(LineEvent, times, st.sampled_from(LineKind), st.binary(min_size=1, max_size=3), line_sets),
    st.builds(LineEvent, times, st.sampled_from(LineKind), st.just(b""), line_sets),
    st.builds(Mark, times, st.sampled_from(MarkKind), st.dictionaries(st.text(), values, max_size=4)),
)


def save(path: Path, items: list[Event]) -> bytes:
    writer = CaptureWriter.create(path, port="/dev/ttyUSB0", baud=115200, overwrite=True)
    for item in items:
        writer.write(item)
    writer.close()
    return path.read_bytes()


def put(tmp_path: Path, data: bytes) -> Path:
    path = tmp_path / "x.pcapng"
    path.write_bytes(data)
    return path


def big_endian(vector: bytes, resolution: int = 6) -> bytes:
    """The same five packets laid out by hand in the other byte order (draft-ietf-opsawg-pcapng, EPB)."""
    out = struct.pack(">IIIHHqI", 0x0A0D0D0A, 28, 0x1A2B3C4D, 1, 0, -1, 28)
    out += struct.pack(">IIHHIHHB3xI", 1, 28, 250, 0, 0, 9, 1, resolution, 28)
    at = 108
    while at < len(vector):
        _, total, _, high, low, size, _ = struct.unpack_from("<7I", vector, at)
        units = ((high << 32) | low) * 10 ** (resolution - 6)
        data = vector[at + 28 : at + 28 + (size + 3 & ~3)]
        comment = struct.pack(">HH", 1, 12) + b"stop bit low" if total == 76 else b""
        whole = 32 + len(data) + len(comment)
        out += struct.pack(">7I", 6, whole, 0, units >> 32, units & 0xFFFFFFFF, size, size)
        out += data + comment + struct.pack(">I", whole)  # no end of options, as the draft lets a reader meet
        at += total
    return out


def test_the_vector_reads_as_tshark_prints_it(tmp_path: Path, vector: bytes) -> None:
    capture = CaptureFile(put(tmp_path, vector))
    assert list(capture.events()) == PRINTED
    assert dict(capture.settings) == {"port": "uart0", "baud": 115200}
    assert capture.foreign
    assert capture.truncated_at is None
    assert capture.progress == 1.0
    assert ["no end packet" in warning for warning in capture.warnings] == [True]


@pytest.mark.parametrize("resolution", [6, 9])
def test_other_byte_order_and_nanoseconds_read_alike(tmp_path: Path, vector: bytes, resolution: int) -> None:
    assert list(read_events(put(tmp_path, big_endian(vector, resolution)))) == PRINTED


def test_two_sections_of_both_orders_are_one_list(tmp_path: Path, vector: bytes) -> None:
    assert list(read_events(put(tmp_path, vector + big_endian(vector)))) == PRINTED * 2


def test_unknown_blocks_padding_and_minor_version_do_not_matter(tmp_path: Path, vector: bytes) -> None:
    changed = bytearray(vector)
    changed[14] = 2  # minor version
    assert changed[149:152] == bytes(3)
    changed[149:152] = b"\xaa\xaa\xaa"  # padding behind the first packet's data
    changed[108:108] = blocks.block(0x80000123, b"abcd")
    assert list(read_events(put(tmp_path, bytes(changed)))) == PRINTED


@pytest.mark.parametrize(
    ("resolution", "units", "offset", "expected"),
    [(0, 7, 0, 7 * 10**9), (12, 1500, 0, 1), (0x80 | 10, 512, 0, 500_000_000), (6, 1, 3, 3_000_001_000)],
)
def test_time_resolutions(resolution: int, units: int, offset: int, expected: int) -> None:
    # source: draft-ietf-opsawg-pcapng, if_tsresol (top bit: powers of two) and if_tsoffset (seconds to add)
    assert blocks.Interface(250, "", 0, resolution, offset).time_ns(units) == expected


def test_other_link_types_are_skipped_and_counted_or_refused(tmp_path: Path, vector: bytes) -> None:
    other = bytearray(vector)
    other[60] = 1
    with pytest.raises(InputTrouble) as caught:
        CaptureFile(put(tmp_path, bytes(other)))
    assert caught.value.code == "capture-link-type"
    assert "is 1," in caught.value.message
    capture = CaptureFile(put(tmp_path, bytes(other) + vector))
    assert list(capture.events()) == PRINTED
    assert "packets of link type 1 skipped: 5" in capture.warnings


@pytest.mark.parametrize("cut", [365, 380, 423])
def test_a_cut_tail_is_read_up_to_the_cut(tmp_path: Path, vector: bytes, cut: int) -> None:
    # source: tshark 4.0.17 shows four packets of the vector cut anywhere in 365..423
    capture = CaptureFile(put(tmp_path, vector[:cut]))
    assert list(capture.events()) == PRINTED[:5]
    assert capture.truncated_at == 364
    assert "cut at offset 364" in capture.warnings[0]


@pytest.mark.parametrize(("cut", "count"), [(168, 1), (364, 5)])
def test_a_cut_between_blocks_shows_only_as_a_missing_end(tmp_path: Path, vector: bytes, cut: int, count: int) -> None:
    capture = CaptureFile(put(tmp_path, vector[:cut]))
    assert list(capture.events()) == PRINTED[:count]
    assert capture.truncated_at is None


@pytest.mark.parametrize(
    ("at", "value", "code"),
    [
        (420, 1000, "capture-block-lengths"),
        (368, 61, "capture-block-unaligned"),
        (368, 8, "capture-block-short"),
        (368, 0xFFFFFFFC, "capture-cut"),
        (372, 7, "capture-interface"),
        (384, 0xFFFFFFF0, "capture-packet-length"),
    ],
)
def test_each_damage_has_its_name_and_offset(tmp_path: Path, vector: bytes, at: int, value: int, code: str) -> None:
    # source: tshark 4.0.17 shows the packets before each of these damages
    spoiled = bytearray(vector)
    struct.pack_into("<I", spoiled, at, value)
    capture = CaptureFile(put(tmp_path, bytes(spoiled)))
    assert list(capture.events()) == PRINTED[:5]
    assert capture.truncated_at == 364
    assert f"[{code}]" in capture.warnings[0]


def test_an_option_beyond_its_block_is_named(tmp_path: Path, vector: bytes) -> None:
    spoiled = bytearray(vector)
    struct.pack_into("<H", spoiled, 334, 0xFFFF)  # length of the comment in the fourth packet
    capture = CaptureFile(put(tmp_path, bytes(spoiled)))
    assert list(capture.events()) == PRINTED[:3]
    assert "[capture-option-length]" in capture.warnings[0]


@pytest.mark.parametrize(("tail", "code"), [(16, "capture-block-short"), (4, "capture-cut")])
def test_zeros_behind_the_last_packet(tmp_path: Path, vector: bytes, tail: int, code: str) -> None:
    capture = CaptureFile(put(tmp_path, vector + bytes(tail)))
    assert list(capture.events()) == PRINTED
    assert capture.truncated_at == 424
    assert f"[{code}]" in capture.warnings[0]


@pytest.mark.parametrize("cut", [0, 20, 51, 60, 107, 112])
def test_damage_before_the_first_packet_is_an_error(tmp_path: Path, vector: bytes, cut: int) -> None:
    with pytest.raises(InputTrouble) as caught:
        CaptureFile(put(tmp_path, vector[:cut]))
    assert caught.value.code == ("capture-cut" if cut else "capture-empty")


def test_what_is_no_capture_is_said(tmp_path: Path) -> None:
    for path, code in [
        (tmp_path / "none", "capture-missing"),
        (tmp_path, "capture-directory"),
        (put(tmp_path, b"a text file, no capture"), "capture-not-pcapng"),
    ]:
        with pytest.raises(InputTrouble) as caught:
            CaptureFile(path)
        assert caught.value.code == code


@QUICK
@given(st.lists(events, max_size=12))
def test_every_event_survives_exactly(tmp_path: Path, items: list[Event]) -> None:
    path = tmp_path / "trip.pcapng"
    save(path, items)
    got = list(read_events(path))
    ended = any(isinstance(item, Mark) and item.kind is MarkKind.END for item in items)
    assert (got if ended else got[:-1]) == items


@QUICK
@given(st.lists(events, min_size=1, max_size=6), st.data())
def test_cut_and_flipped_files_raise_only_ours(tmp_path: Path, items: list[Event], data: st.DataObject) -> None:
    whole = bytearray(save(tmp_path / "trip.pcapng", items))
    for at in data.draw(st.lists(st.integers(0, len(whole) * 8 - 1), max_size=4)):
        whole[at // 8] ^= 1 << at % 8
    path = put(tmp_path, bytes(whole[: data.draw(st.integers(0, len(whole)))]))
    with contextlib.suppress(InputTrouble):
        for event in read_events(path):
            assert 0 <= event.t_ns < 2**63


@QUICK
@given(st.binary(max_size=200))
def test_arbitrary_bytes_raise_only_ours(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(InputTrouble):
        list(read_events(put(tmp_path, data)))


def test_a_killed_writer_leaves_every_event_readable(tmp_path: Path) -> None:
    path = tmp_path / "killed.pcapng"
    writer = CaptureWriter.create(path, port="p", baud=9600)
    writer.write(PRINTED[0])
    capture = CaptureFile(path)  # the writer is neither flushed nor closed
    assert list(capture.events()) == PRINTED[:1]
    assert capture.warnings == ("the record has no clean end: the program was stopped or the file was cut",)
    writer.close()
    list(capture.events())
    assert capture.warnings == ()


def test_an_existing_file_is_kept_unless_told(tmp_path: Path) -> None:
    path = put(tmp_path, b"mine")
    with pytest.raises(InputTrouble) as caught:
        CaptureWriter.create(path, port="p", baud=1)
    assert caught.value.code == "record-exists"
    assert path.read_bytes() == b"mine"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full on this system")
def test_a_full_disk_is_said() -> None:
    # source: full(4): writes to /dev/full fail with ENOSPC
    with pytest.raises(InputTrouble) as caught:
        CaptureWriter.create("/dev/full", port="p", baud=1, overwrite=True)
    assert caught.value.code == "record-failed"


def test_a_failing_file_is_told_once_and_stays_readable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "full.pcapng"
    writer = CaptureWriter.create(path, port="p", baud=1)
    writer.write(PRINTED[0])
    true_write, room = os.write, [10]

    def nearly_full(descriptor: int, data: bytes) -> int:
        if not room:
            raise OSError(28, "No space left on device")
        return true_write(descriptor, data[: room.pop()])

    monkeypatch.setattr(os, "write", nearly_full)
    with pytest.raises(InputTrouble):
        writer.write(PRINTED[1])
    writer.write(PRINTED[1])
    writer.close()
    monkeypatch.undo()
    capture = CaptureFile(path)
    assert list(capture.events()) == PRINTED[:1]
    assert capture.truncated_at is None


@pytest.mark.outside
@needs_tshark
def test_tshark_agrees_on_our_file(tmp_path: Path) -> None:
    path = tmp_path / "ours.pcapng"
    lines = LineEvent(T0 + 5, LineKind.LINES, b"", frozenset({Line.CTS, Line.RTS, Line.DTR}))
    mark = Mark(T0 + 6, MarkKind.STAGE_BEGIN, {"name": "sync"})
    save(path, [Chunk(T0 + 1, "out", b"\x7f"), lines, mark, Chunk(T0 + 7, "in", b"\x79\x0b")])
    fields = [
        "frame.time_epoch",
        "rtacser.eventtype",
        "rtacser.cts",
        "data.data",
        "frame.comment",
        "frame.packet_flags",
    ]
    command = ["tshark", "-r", str(path), "-T", "fields", "-E", "separator=|", *(w for f in fields for w in ("-e", f))]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    assert run.stdout.splitlines() == [
        "1700000000.000000001|0x01|0|7f||0x00000002",
        "1700000000.000000005|0x00|1|||0x00000001",
        '1700000000.000000006|0x00|1||stage-begin {"name": "sync"}|',
        "1700000000.000000007|0x02|1|790b||0x00000001",
        "1700000000.000000007|0x06|1|||",
    ]


def test_packets_that_say_nothing_are_skipped_and_counted(tmp_path: Path, vector: bytes) -> None:
    unknown = bytearray(vector[108:168])
    unknown[36] = 0x0B  # the link type page defines 0x00..0x0A
    short = blocks.packet(1, b"eleven byte", b"")
    simple = blocks.block(3, struct.pack("<I", 4) + b"abcd")
    capture = CaptureFile(put(tmp_path, vector + bytes(unknown) + short + simple))
    assert list(capture.events()) == PRINTED
    assert {
        "packets of an unknown event type skipped: 1",
        "packets shorter than the 12-byte header skipped: 1",
        "simple packets without a time skipped: 1",
    } <= set(capture.warnings)


def test_a_mark_longer_than_one_comment_survives(tmp_path: Path) -> None:
    mark = Mark(T0, MarkKind.NOTE, {"text": "x" * 200_000})  # an option's length field ends at 65535
    path = tmp_path / "long.pcapng"
    save(path, [mark])
    assert next(iter(read_events(path))) == mark
