"""What only devices have: exclusive use, parity that a port may refuse, marked bytes, slow drivers, error counters."""

from __future__ import annotations

import asyncio
import errno
import fcntl
import os
import struct
import termios
import threading

import pytest
import serial

from console.errors import PortTrouble
from console.events import LineEvent, LineKind
from console.link import serial_link, tty_port
from console.link.base import LinkSettings
from console.link.line_errors import Counters
from console.link.serial_link import SerialLink
from protocols.uart import EIGHT_E_ONE, EIGHT_N_ONE, Frame


async def refused(link, receiver) -> PortTrouble:
    with pytest.raises(PortTrouble) as failed:
        await link.open(receiver)
    assert failed.value.help
    return failed.value


async def test_a_second_opening_is_told_who_has_the_port(pty_peer, link_to, recorder):
    first = link_to(pty_peer.port)
    await first.open(recorder())
    error = await refused(link_to(pty_peer.port), recorder())
    assert error.code == "port-busy"
    assert f"(pid {os.getpid()})" in error.message
    await first.close()
    await link_to(pty_peer.port).open(recorder())


async def test_the_lock_is_the_one_other_programs_ask_for(pty_peer, link_to, recorder):
    await link_to(pty_peer.port).open(recorder())
    # flock(2): a second LOCK_EX|LOCK_NB of another open file fails with EWOULDBLOCK
    fd = os.open(pty_peer.port, os.O_RDWR | os.O_NOCTTY)
    try:
        with pytest.raises(BlockingIOError):
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    finally:
        os.close(fd)


@pytest.mark.parametrize("frame", [EIGHT_E_ONE, Frame(8, "O", 1), Frame(7, "E", 1), Frame(7, "N", 1)], ids=str)
async def test_a_port_that_cannot_do_the_frame_says_so_every_time(pty_peer, link_to, recorder, frame):
    # Linux drivers/tty/pty.c, pty_set_termios: a pty has CS8 forced and PARENB cleared
    for _ in range(3):
        link = link_to(pty_peer.port, frame=frame)
        report = await link.open(recorder())
        assert report.frame_in_use == EIGHT_N_ONE
        assert ("this port cannot do parity" in report.notes) is (frame.parity != "N")
        assert f"asked for {frame}, the port uses 8N1" in report.notes
        await link.close()


@pytest.mark.parametrize("frame", [EIGHT_E_ONE, Frame(7, "E", 1)], ids=str)
async def test_a_port_that_is_raw_already_refuses_parity_with_an_error_and_opens(pty_peer, link_to, recorder, frame):
    # glibc's tcsetattr says EINVAL when nothing of what it was asked for took effect, as here
    with serial.Serial(pty_peer.port, 115200, bytesize=frame.data_bits), pytest.raises(termios.error) as refusal:
        serial.Serial(pty_peer.port, 115200, bytesize=frame.data_bits, parity=frame.parity, timeout=0)
    assert refusal.value.args[0] == errno.EINVAL
    report = await link_to(pty_peer.port, frame=frame).open(recorder())
    assert report.frame_in_use == EIGHT_N_ONE
    assert f"asked for {frame}, the port uses 8N1" in report.notes


async def test_the_transport_is_done_when_close_returns(pty_peer, link_to, recorder):
    link = link_to(pty_peer.port)
    await link.open(recorder())
    transport = link._transport
    link.write(bytes(4_000_000))
    await link.close()
    assert transport.serial is None  # pyserial-asyncio 0.6 drops it last


async def test_a_frame_the_port_can_do_needs_no_note(pty_peer, link_to, recorder):
    report = await link_to(pty_peer.port, frame=EIGHT_N_ONE).open(recorder())
    assert report.frame_in_use == EIGHT_N_ONE
    assert report.notes == ()


@pytest.mark.parametrize("baud", [1200, 115200, 74880, 12_000_000])
async def test_the_rate_survives_the_marking_of_errors(pty_peer, link_to, recorder, baud):
    await link_to(pty_peer.port, baud=baud, frame=EIGHT_N_ONE).open(recorder())
    # struct termios2, include/uapi/asm-generic/termbits.h: four flag words, c_line, 19 control characters, two speeds
    raw = fcntl.ioctl(pty_peer.master, 0x802C542A, bytes(44))
    iflag, *_, ispeed, ospeed = struct.unpack("4I20B2I", raw)
    assert (ispeed, ospeed) == (baud, baud)
    assert iflag & (termios.PARMRK | termios.INPCK) == termios.PARMRK | termios.INPCK


async def test_a_real_ff_is_one_byte_also_when_its_doubling_is_split(pty_peer, link_to, recorder):
    # termios(3), PARMRK: a received FF is read as FF FF; ptys do that too
    link, got = link_to(pty_peer.port), recorder()
    await link.open(got)
    for _ in range(5):
        await pty_peer.send(b"\xff\x00\xff")
        await pty_peer.send(b"\xff")
    await got.until(lambda r: len(r.data) >= 20)
    assert bytes(got.data) == b"\xff\x00\xff\xff" * 5
    assert all(isinstance(call, bytes) for call in got.calls)


async def test_marked_bytes_become_events_between_the_clean_ones(pty_peer, link_to, recorder, clock):
    link, got = link_to(pty_peer.port), recorder()
    await link.open(got)
    # termios(3): FF 00 c for a byte with an error, FF 00 00 for a break. No pty makes them, so they come from here.
    link.received(b"a\xff\x00")
    link.received(b"\x82b\xff\x00\x00c")
    now = clock.now_ns()
    assert got.calls == [
        b"a",
        LineEvent(now, LineKind.FRAMING_OR_PARITY, b"\x82"),
        b"b",
        LineEvent(now, LineKind.BREAK, b"\0"),
        b"c",
    ]


async def test_bytes_from_before_the_opening_are_discarded(pty_peer, link_to, recorder):
    fd = os.open(pty_peer.port, os.O_RDWR | os.O_NOCTTY)  # a fresh tty echoes
    await pty_peer.send(b"old\n")
    link, got = link_to(pty_peer.port), recorder()
    await link.open(got)
    os.close(fd)
    await pty_peer.send(b"new")
    await got.until(lambda r: len(r.data) >= 3)
    assert bytes(got.data) == b"new"


async def test_an_echo_that_waits_to_be_sent_is_discarded_too(pty_peer, link_to, recorder, monkeypatch):
    # a pty hands its echo over at once and keeps none to discard, so the request is what can be seen
    flushed, real = [], termios.tcflush
    monkeypatch.setattr(tty_port.termios, "tcflush", lambda fd, queue: (flushed.append(queue), real(fd, queue))[1])
    await link_to(pty_peer.port).open(recorder())
    assert termios.TCIOFLUSH in flushed


async def test_a_missing_device(link_to, recorder, tmp_path):
    assert (await refused(link_to(str(tmp_path / "ttyUSB7")), recorder())).code == "port-missing"


async def test_what_is_no_serial_port_is_not_even_opened(link_to, recorder, tmp_path, monkeypatch):
    file, pipe = tmp_path / "file", tmp_path / "pipe"
    file.write_text("kept")
    os.mkfifo(pipe)
    for path in (file, tmp_path, pipe):
        error = await refused(link_to(str(path)), recorder())
        assert (error.code, error.message) == ("port-unusable", "this is not a serial port")
    assert file.read_text() == "kept"


async def test_a_character_device_that_is_no_tty(link_to, recorder):
    assert (await refused(link_to("/dev/null"), recorder())).code == "port-unusable"


async def test_a_port_name_with_a_null_character(link_to, recorder):
    assert (await refused(link_to("/dev/tty\0USB0"), recorder())).code == "port-unusable"


@pytest.mark.parametrize(
    ("number", "code"),
    [
        (errno.EACCES, "port-permission"),
        (errno.EPERM, "port-permission"),
        (errno.EBUSY, "port-busy"),
        (errno.ENXIO, "port-missing"),
        (errno.ENODEV, "port-missing"),
        (errno.EIO, "port-unusable"),
    ],
)
async def test_what_the_system_says_on_opening(pty_peer, link_to, recorder, monkeypatch, number, code):
    real = os.open

    def denied(path, *args, **kwargs):
        if path == pty_peer.port:
            raise OSError(number, os.strerror(number), path)
        return real(path, *args, **kwargs)

    monkeypatch.setattr(serial.serialposix.os, "open", denied)
    error = await refused(link_to(pty_peer.port), recorder())
    assert error.code == code
    assert error.where == pty_peer.port


@pytest.fixture
def slow_open(pty_peer, monkeypatch):
    """Opening the pty takes until the event is set."""
    go, entered, real = threading.Event(), threading.Event(), os.open

    def slow(path, *args, **kwargs):
        if path == pty_peer.port and threading.current_thread() is not threading.main_thread():
            entered.set()
            go.wait(20)
        return real(path, *args, **kwargs)

    monkeypatch.setattr(serial.serialposix.os, "open", slow)
    yield go, entered
    go.set()


async def test_an_opening_that_hangs_is_given_up_and_undone(pty_peer, link_to, recorder, slow_open, monkeypatch):
    go, _ = slow_open
    monkeypatch.setattr(serial_link, "OPEN_DEADLINE_S", 0.01)
    link = link_to(pty_peer.port)
    assert (await refused(link, recorder())).code == "port-unusable"
    go.set()
    await link.close()  # waits until the late port is closed again
    monkeypatch.setattr(serial_link, "OPEN_DEADLINE_S", 20)
    await link_to(pty_peer.port).open(recorder())


async def test_closing_while_the_driver_hangs_in_open(pty_peer, link_to, recorder, slow_open, monkeypatch):
    go, entered = slow_open
    monkeypatch.setattr(serial_link, "CLOSE_DEADLINE_S", 0.01)
    link = link_to(pty_peer.port)
    opening = asyncio.create_task(link.open(recorder()))
    await asyncio.to_thread(entered.wait)
    await link.close()
    with pytest.raises(PortTrouble):
        await opening
    go.set()
    monkeypatch.setattr(serial_link, "CLOSE_DEADLINE_S", 20)
    await link.close()
    await link_to(pty_peer.port).open(recorder())


async def test_a_hang_up_while_opening(pty_peer, link_to, recorder, slow_open):
    go, entered = slow_open
    opening = asyncio.create_task(link_to(pty_peer.port).open(recorder()))
    await asyncio.to_thread(entered.wait)
    pty_peer.hang_up()
    go.set()
    with pytest.raises(PortTrouble) as failed:
        await opening
    assert failed.value.code in ("port-missing", "port-unusable")


async def test_a_close_that_hangs_is_not_waited_for(pty_peer, link_to, recorder, monkeypatch):
    monkeypatch.setattr(serial_link, "CLOSE_DEADLINE_S", 0.01)
    go = threading.Event()
    link = link_to(pty_peer.port)
    await link.open(recorder())
    port = link._port
    real = port.release
    monkeypatch.setattr(port, "release", lambda: (go.wait(20), real()))
    await link.close()
    assert port.is_open
    go.set()
    monkeypatch.setattr(serial_link, "CLOSE_DEADLINE_S", 20)
    await link.close()
    assert not port.is_open


# pyserial 3.5 raises all of these for a device that was pulled; the last is neither of the first two
@pytest.mark.parametrize(
    "error",
    [serial.SerialException("gone"), OSError(errno.EIO, "gone"), termios.error(errno.EIO, "gone")],
    ids=lambda error: type(error).__name__,
)
async def test_a_loss_seen_while_driving_lines(pty_peer, link_to, recorder, monkeypatch, error):
    link, got = link_to(pty_peer.port), recorder()
    await link.open(got)

    def pulled(*_):
        raise error

    monkeypatch.setattr(link._port, "drive", pulled)
    for _ in range(2):
        with pytest.raises(PortTrouble) as failed:
            await link.set_lines(dtr=True)
        assert failed.value.code == "link-lost"
    assert [loss.code for loss in got.losses] == ["link-lost"]


async def test_a_loss_seen_while_writing(pty_peer, link_to, recorder, monkeypatch):
    link, got = link_to(pty_peer.port), recorder()
    await link.open(got)

    def pulled(*_):
        raise OSError(errno.EIO, "gone")

    monkeypatch.setattr(tty_port.os, "write", pulled)
    link.write(b"\x7f")
    await got.until(lambda r: bool(r.losses))
    monkeypatch.undo()
    await link.close()
    assert [loss.code for loss in got.losses] == ["link-lost"]


async def test_counters_of_the_driver_become_events(pty_peer, link_to, recorder, monkeypatch):
    # a pty has no counters (TIOCGICOUNT gives ENOTTY), so the driver's answers come from here
    answers = [Counters(9, 9, 9, 9), Counters(9, 9, 9, 9), Counters(11, 9, 10, 9), Counters(11, 10, 10, 10)]
    monkeypatch.setattr(tty_port, "counters", lambda fd: answers[0])
    monkeypatch.setattr(serial_link, "counters", lambda fd: answers.pop(0) if len(answers) > 1 else answers[0])
    monkeypatch.setattr(serial_link, "COUNTERS_EVERY_S", 0)
    link, got = link_to(pty_peer.port), recorder()
    assert (await link.open(got)).line_errors == "counted"
    await got.until(lambda r: len(r.calls) >= 5)
    await link.close()
    assert [call.kind for call in got.calls] == [
        LineKind.FRAMING,
        LineKind.FRAMING,
        LineKind.PARITY,
        LineKind.BREAK,
        LineKind.OVERRUN,
    ]


async def test_a_write_that_finds_no_room_does_not_spin(pty_peer, clock):
    port = tty_port.TtyPort(lambda error: pytest.fail(str(error)))
    port.start(LinkSettings(pty_peer.port))
    try:
        with pytest.raises(BlockingIOError):
            # a pty holds some 20 kB; the count only bounds the failing case
            sum(port.write(bytes(4096)) for _ in range(1000))
        assert port.read(1) == b""  # nothing there is no hang-up either
    finally:
        port.release()
        port.release()


def test_making_a_link_opens_nothing(tmp_path, clock):
    SerialLink(LinkSettings(str(tmp_path / "none")), clock)


@pytest.fixture
def adapter(pty_peer, monkeypatch):
    """The pty passes for a USB adapter with its 16 ms timer: the driver's answers come from here."""
    real = fcntl.ioctl

    def ioctl(fd, request, *args):
        return bytes(4) if request == termios.TIOCMGET else real(fd, request, *args)

    monkeypatch.setattr(tty_port, "_PTY_MAJORS", range(0))
    monkeypatch.setattr(tty_port, "driver_of", lambda device: "ftdi_sio")
    monkeypatch.setattr(tty_port, "latency_timer_s", lambda device: 0.016)
    monkeypatch.setattr(tty_port.fcntl, "ioctl", ioctl)
    monkeypatch.setattr(tty_port.TtyPort, "set_low_latency_mode", lambda self, on: None)
    return pty_peer


@pytest.mark.parametrize("low_latency", [True, False])
async def test_what_an_adapter_reports(adapter, link_to, recorder, low_latency):
    report = await link_to(adapter.port, low_latency=low_latency, frame=EIGHT_N_ONE).open(recorder())
    assert report.opening_pulse is True  # Linux drivers/tty/tty_port.c raises DTR and RTS on opening
    assert report.line_errors == "marked"  # Linux drivers/usb/serial/ftdi_sio.c flags the bytes of a bad packet
    assert report.low_latency is low_latency
    assert report.latency_s >= 0.05  # common practice, no source: never less over USB
    assert report.latency_s > 0.016  # AN232B-04: a short answer waits for the timer


@pytest.mark.parametrize(("baud", "told"), [(115200, False), (74880, True)])
async def test_an_adapter_that_misses_the_rate_is_told_of(adapter, link_to, recorder, monkeypatch, baud, told):
    # AN205 Rev 0.3 Table 1: the fixed-list kind makes 76800 of 74880, +2.6 %
    monkeypatch.setattr(tty_port, "usb_ids", lambda device: (0x10C4, 0xEA60))
    report = await link_to(adapter.port, baud=baud, frame=EIGHT_N_ONE).open(recorder())
    assert any("misses the rate" in note for note in report.notes) is told


@pytest.mark.parametrize("low_latency", [True, False])
async def test_a_slow_timer_is_told_with_the_command_and_left_alone(adapter, link_to, recorder, low_latency):
    report = await link_to(adapter.port, low_latency=low_latency, frame=EIGHT_N_ONE).open(recorder())
    notes = [note for note in report.notes if "16 ms" in note]  # AN232B-04: the default
    assert len(notes) == (not low_latency)
    assert all("sudo tee /sys" in note and "latency_timer" in note for note in notes)


async def test_other_users_are_kept_out_of_an_adapter_until_it_is_closed(adapter, link_to, recorder):
    link = link_to(adapter.port)
    spare = os.open(adapter.port, os.O_RDWR | os.O_NOCTTY)
    try:
        await link.open(recorder())
        # TIOCGEXCL, include/uapi/asm-generic/ioctls.h
        assert fcntl.ioctl(spare, 0x80045440, bytes(4)) != bytes(4)
        await link.close()
        assert fcntl.ioctl(spare, 0x80045440, bytes(4)) == bytes(4)
    finally:
        os.close(spare)


async def test_a_break_that_is_marked_is_not_counted_once_more(adapter, link_to, recorder, monkeypatch):
    answers = [Counters(0, 0, 0, 0), Counters(0, 0, 0, 1), Counters(1, 0, 0, 1)]
    monkeypatch.setattr(tty_port, "counters", lambda fd: answers[0])
    monkeypatch.setattr(serial_link, "counters", lambda fd: answers.pop(0) if len(answers) > 1 else answers[0])
    monkeypatch.setattr(serial_link, "COUNTERS_EVERY_S", 0)
    link, got = link_to(adapter.port), recorder()
    await link.open(got)
    await got.until(lambda r: bool(r.calls))
    assert [call.kind for call in got.calls] == [LineKind.FRAMING]


async def test_a_transport_that_gives_up_is_a_loss(pty_peer, link_to, recorder):
    link, got = link_to(pty_peer.port), recorder()
    await link.open(got)
    await pty_peer.send(b"a")
    await got.until(lambda r: bool(r.data))
    link._transport.abort()
    await got.until(lambda r: bool(r.losses))
    await link.close()
    assert [loss.code for loss in got.losses] == ["link-lost"]


async def test_nothing_is_delivered_after_a_loss_in_the_middle_of_a_chunk(pty_peer, link_to, recorder, monkeypatch):
    link, got = link_to(pty_peer.port), recorder()
    await link.open(got)
    monkeypatch.setattr(got, "line_event", lambda event: link.ended(link._transport, OSError(errno.EIO, "gone")))
    link.received(b"a\xff\x00\x01b")
    assert bytes(got.data) == b"a"
    assert len(got.losses) == 1
