"""One suite for every kind of link: what `console.link.base` promises, on real ptys and sockets."""

from __future__ import annotations

import asyncio
import termios

import pytest

from console.errors import PortTrouble
from protocols.uart import EIGHT_E_ONE, EIGHT_N_ONE

ALL_BYTES = bytes(range(256)) * 4


async def test_every_byte_value_passes_both_ways(peer, link_to, recorder, clock):
    link, got = link_to(peer.port), recorder()
    await link.open(got)
    await peer.send(ALL_BYTES)
    await got.until(lambda r: len(r.data) >= len(ALL_BYTES))
    assert bytes(got.data) == ALL_BYTES
    assert set(got.times) == {clock.now_ns()}
    link.write(ALL_BYTES)
    assert await peer.receive(len(ALL_BYTES)) == ALL_BYTES


async def test_bytes_are_delivered_in_the_callback_of_the_loop_not_by_a_task(peer, link_to, recorder):
    link, got = link_to(peer.port), recorder()
    await link.open(got)
    await peer.send(b"\x79")
    await got.until(lambda r: bool(r.data))
    assert got.tasks == {None}


async def test_a_hang_up_while_idle_is_told_once_and_writes_fail_after_it(peer, link_to, recorder):
    link, got = link_to(peer.port), recorder()
    await link.open(got)
    link.write(b"\x7f")
    await peer.receive(1)
    peer.hang_up()
    await got.until(lambda r: bool(r.losses))
    with pytest.raises(PortTrouble) as failed:
        link.write(b"\x7f")
    assert failed.value.code == "link-lost"
    await link.close()
    await link.close()
    assert [error.code for error in got.losses] == ["link-lost"]
    assert got.losses[0].where == peer.port
    assert got.losses[0].help


async def test_a_hang_up_while_writing_is_told_once(peer, link_to, recorder, caplog, turn):
    link, got = link_to(peer.port), recorder()
    await link.open(got)
    link.write(b"\x7f")
    await peer.receive(1)
    link.write(bytes(4_000_000))
    await turn()
    link.write(bytes(10))
    peer.hang_up()
    await got.until(lambda r: bool(r.losses))
    await link.close()
    assert [error.code for error in got.losses] == ["link-lost"]
    assert not [record for record in caplog.records if record.levelname in ("ERROR", "CRITICAL")]


async def test_close_does_not_wait_for_a_peer_that_does_not_read_and_the_port_opens_at_once(peer, link_to, recorder):
    link = link_to(peer.port)
    await link.open(recorder())
    link.write(bytes(4_000_000))
    await link.close()
    again, got = link_to(peer.port), recorder()
    await again.open(got)
    await again.close()
    await link.open(got)  # the same link, too
    assert got.losses == []


async def test_closing_while_bytes_arrive_ends_delivery(peer, link_to, recorder):
    link, got = link_to(peer.port), recorder()
    await link.open(got)
    link.write(b"\x7f")
    await peer.receive(1)
    await peer.send(b"before")
    await got.until(lambda r: len(r.data) == 6)
    await link.close()
    try:
        await peer.send(b"after")
    except OSError:
        assert peer.port.startswith("socket:")  # there the other end notices
    assert bytes(got.data) == b"before"
    assert got.losses == []


async def test_a_hang_up_after_close_is_not_told(peer, link_to, recorder):
    link, got = link_to(peer.port), recorder()
    await link.open(got)
    await link.close()
    peer.hang_up()
    await link.close()
    assert got.losses == []
    with pytest.raises(PortTrouble) as failed:
        link.write(b"\x7f")
    assert failed.value.code == "link-lost"


async def test_closing_while_opening_ends_the_opening(peer, link_to, recorder):
    link, got = link_to(peer.port), recorder()
    # the closing runs as soon as the opening waits for the first time
    failed, closed = await asyncio.gather(link.open(got), link.close(), return_exceptions=True)
    assert isinstance(failed, PortTrouble)
    assert failed.code == "link-lost"
    assert closed is None
    again = link_to(peer.port)
    await link.close()
    await again.open(got)
    assert got.losses == []


async def test_cancelling_the_opening_leaves_the_port_free(peer, link_to, recorder):
    link = link_to(peer.port)
    opening = asyncio.create_task(link.open(recorder()))
    asyncio.get_running_loop().call_soon(opening.cancel)  # right behind its first step
    with pytest.raises(asyncio.CancelledError):
        await opening
    await link.close()
    await link_to(peer.port).open(recorder())


async def test_a_link_that_is_open_does_not_open_again(peer, link_to, recorder):
    link = link_to(peer.port)
    await link.open(recorder())
    with pytest.raises(RuntimeError):
        await link.open(recorder())


async def test_what_was_never_opened_closes_and_does_not_write(peer, link_to):
    link = link_to(peer.port)
    await link.close()
    with pytest.raises(PortTrouble) as failed:
        link.write(b"\x7f")
    assert failed.value.code == "link-lost"


async def test_control_lines_are_refused_where_there_are_none(peer, link_to, recorder):
    link = link_to(peer.port, dtr=True, rts=True)
    report = await link.open(recorder())
    assert report.opening_pulse is None
    assert report.low_latency is None
    assert report.line_errors == "not available"
    assert 0 < report.latency_s < 0.05
    assert await link.set_lines(dtr=True) is False
    assert await link.set_lines(rts=False) is False


async def test_a_failing_receiver_does_not_end_the_link(peer, link_to, recorder):
    link, got, told = link_to(peer.port), recorder(), asyncio.Event()
    asyncio.get_running_loop().set_exception_handler(lambda loop, context: told.set())
    await link.open(got)
    store, got.data = got.data, None
    await peer.send(b"a")
    await told.wait()
    got.data = store
    await peer.send(b"b")
    await got.until(lambda r: bool(r.data))
    assert bytes(got.data) == b"b"
    assert got.losses == []


async def test_an_open_pty_takes_another_rate_and_what_was_not_read_is_dropped(pty_peer, link_to, recorder, turn):
    link, got = link_to(pty_peer.port, baud=115200), recorder()
    await link.open(got)
    report = await link.retune(9600, EIGHT_N_ONE)
    assert (report.frame_in_use, link.settings.baud, link.settings.frame) == (EIGHT_N_ONE, 9600, EIGHT_N_ONE)
    assert termios.tcgetattr(pty_peer.master)[4] == termios.B9600  # both ends of a pty share its settings (Linux)
    await pty_peer.send(ALL_BYTES)  # a received FF must still arrive once
    await got.until(lambda r: len(r.data) >= len(ALL_BYTES))
    assert bytes(got.data) == ALL_BYTES
    link.write(b"\x7f")
    assert await pty_peer.receive(1) == b"\x7f"
    assert not got.losses


async def test_a_pty_that_cannot_do_parity_says_so_when_it_is_retuned(pty_peer, link_to, recorder):
    link = link_to(pty_peer.port, frame=EIGHT_N_ONE)
    await link.open(recorder())
    report = await link.retune(57600, EIGHT_E_ONE)
    assert report.frame_in_use == EIGHT_N_ONE
    assert any("parity" in note for note in report.notes)


async def test_retuning_after_a_hang_up_is_a_lost_link(pty_peer, link_to, recorder):
    link, got = link_to(pty_peer.port), recorder()
    await link.open(got)
    pty_peer.hang_up()
    with pytest.raises(PortTrouble) as failed:
        await link.retune(9600, EIGHT_N_ONE)
    assert failed.value.code == "link-lost"
    await got.until(lambda r: bool(r.losses))
    assert len(got.losses) == 1


async def test_a_rate_the_port_does_not_take_leaves_the_former_one(pty_peer, link_to, recorder, monkeypatch):
    link, got = link_to(pty_peer.port, baud=19200), recorder()
    await link.open(got)
    with pytest.raises(PortTrouble) as failed:
        await link.retune(-5, EIGHT_N_ONE)  # the serial library refuses it with ValueError
    assert failed.value.code == "port-unusable"
    assert link.settings.baud == 19200
    assert termios.tcgetattr(pty_peer.master)[4] == termios.B19200
    await pty_peer.send(b"a")
    await got.until(lambda r: bool(r.data))


async def test_a_raw_connection_cannot_be_retuned_and_says_why(socket_peer, link_to, recorder):
    link = link_to(socket_peer.port)
    await link.open(recorder())
    with pytest.raises(PortTrouble) as failed:
        await link.retune(9600, EIGHT_N_ONE)
    assert failed.value.code == "port-unusable"
    assert failed.value.help
