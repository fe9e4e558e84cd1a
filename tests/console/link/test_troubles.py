"""Every error of the system, of termios and of the serial library becomes a trouble with a next step."""

from __future__ import annotations

import errno
import os
import termios
from types import SimpleNamespace

import pytest
import serial

from console.errors import PortTrouble
from console.link import make_link, troubles
from console.link.base import LinkSettings

CODES = {"port-missing", "port-busy", "port-permission", "port-unusable", "port-url", "link-lost"}


@pytest.mark.parametrize("number", sorted(errno.errorcode))
@pytest.mark.parametrize("kind", [OSError, serial.SerialException, termios.error])
def test_every_number_is_mapped(number, kind):
    error = troubles.open_trouble("/dev/ttyUSB0", kind(number, "text"), system="linux")
    assert error.code in CODES
    assert error.where == "/dev/ttyUSB0"
    assert error.message
    assert error.help


# texts as pyserial 3.5 makes them (serialposix.py, serialwin32.py, serialutil.py)
@pytest.mark.parametrize(
    ("error", "system", "code"),
    [
        (serial.SerialException(2, "could not open port"), "linux", "port-missing"),
        (serial.SerialException(11, "Could not exclusively lock port"), "linux", "port-busy"),
        (serial.SerialException("Could not configure port: (5, 'Input/output error')"), "linux", "port-unusable"),
        (serial.SerialException("Could not configure port: (25, 'Inappropriate')"), "linux", "port-unusable"),
        (
            serial.SerialException("could not open port 'COM5': PermissionError(13, 'Access is denied.', None, 5)"),
            "win32",
            "port-busy",
        ),
        (
            serial.SerialException("could not open port 'COM5': FileNotFoundError(2, 'not found', None, 2)"),
            "win32",
            "port-missing",
        ),
        (serial.SerialTimeoutException("Write timeout"), "linux", "port-unusable"),
        (serial.PortNotOpenError(), "linux", "port-unusable"),
        (ValueError("Invalid baud rate: 0"), "linux", "port-unusable"),
        (OverflowError("too large"), "linux", "port-unusable"),
        (termios.error(22, "Invalid argument"), "linux", "port-unusable"),
    ],
    ids=str,
)
def test_what_the_library_raises(error, system, code):
    assert troubles.open_trouble("p", error, system=system).code == code


def test_hostile_text_is_made_safe():
    error = troubles.open_trouble("/dev/\x1b[31mtty", serial.SerialException("\x1b]0;title\x07"))
    assert "\x1b" not in "".join(error.lines())
    assert "\x1b" not in "".join(troubles.lost_trouble("\x1b", OSError("\x9b")).lines())


@pytest.mark.parametrize("group", ["dialout", "uucp"])
def test_the_cure_names_the_group_that_owns_the_node(monkeypatch, group, tmp_path):
    import grp

    monkeypatch.setattr(grp, "getgrgid", lambda gid: SimpleNamespace(gr_name=group))
    cure = troubles.permission_cure(str(tmp_path), "linux")
    assert cure == f"sudo usermod -aG {group} $USER, then log out and in again"


def test_no_cure_adds_anybody_to_the_group_of_root(monkeypatch, tmp_path):
    import grp

    monkeypatch.setattr(grp, "getgrgid", lambda gid: SimpleNamespace(gr_name="root"))
    assert "usermod" not in troubles.permission_cure(str(tmp_path), "linux")


@pytest.mark.parametrize("system", ["linux", "darwin", "win32"])
def test_every_system_has_a_cure_also_for_a_node_that_is_gone(system):
    assert troubles.permission_cure("/dev/none", system)


def test_a_named_holder_is_in_message_and_help():
    error = troubles.open_trouble("p", OSError(errno.EBUSY, os.strerror(errno.EBUSY)), holder="logger (pid 7)")
    assert "logger (pid 7)" in error.message
    assert "logger (pid 7)" in error.help


@pytest.mark.parametrize(
    "address",
    [
        "",
        "   ",
        "loop://",
        "spy:///dev/ttyUSB0",
        "http://127.0.0.1:80",
        "rfc2217://127.0.0.1:2217",
        "RFC2217://127.0.0.1:2217",
        "socket://",
        "socket://127.0.0.1",
        "socket://127.0.0.1:0",
        "socket://127.0.0.1:70000",
        "socket://127.0.0.1:x",
        "socket://:3217",
        "socket://127.0.0.1:3217/path",
        "socket://[::1:3217",
        f"socket://{'a' * 70}.example:1",
    ],
)
def test_an_address_that_is_none(address, clock):
    with pytest.raises(PortTrouble) as failed:
        make_link(LinkSettings(address), clock)
    assert failed.value.code == "port-url"
    assert "socket://" in failed.value.help


def test_remote_ports_are_announced_for_later(clock):
    with pytest.raises(PortTrouble) as failed:
        make_link(LinkSettings("rfc2217://127.0.0.1:2217"), clock)
    assert "later version" in failed.value.message


async def test_nobody_listening(socket_peer, link_to, recorder):
    socket_peer.shut()
    with pytest.raises(PortTrouble) as failed:
        await link_to(socket_peer.port).open(recorder())
    assert (failed.value.code, failed.value.message) == ("port-missing", "nothing listens at this address")
