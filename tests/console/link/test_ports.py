"""The list of ports from entries as the serial library gives them, who holds a port, and what comes and goes."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from types import SimpleNamespace

import pytest

from console.link import ports, sysfs
from console.link.holder import holder_of, holders
from console.link.ports import PortInfo, find_again, list_ports, same_adapter, watch_ports


def entry(device="/dev/ttyUSB0", **fields):
    """A ListPortInfo of pyserial 3.5 (tools/list_ports_common.py): absent strings are None, description "n/a"."""
    empty = dict.fromkeys(("vid", "pid", "serial_number", "location", "manufacturer", "product"))
    return SimpleNamespace(**{"device": device, "description": "n/a", **empty, **fields})


USB = PortInfo("/dev/ttyUSB0", "adapter", 0x1209, 0x0001, "T7", "1-2")  # 1209:0001 is a test id of the pid.codes list


def test_the_usb_ids_stand_in_the_folder_of_the_device(tmp_path):
    # Documentation/ABI/stable/sysfs-bus-usb: idVendor and idProduct, hexadecimal
    device = tmp_path / "usb1" / "1-2"
    port = device / "1-2:1.0" / "ttyUSB0"
    port.mkdir(parents=True)
    (device / "idVendor").write_text("10c4\n")
    (device / "idProduct").write_text("ea60\n")
    tty = tmp_path / "class" / "ttyUSB0"
    tty.mkdir(parents=True)
    (tty / "device").symlink_to(port)
    assert sysfs.usb_ids("/dev/ttyUSB0", tmp_path / "class") == (0x10C4, 0xEA60)
    assert sysfs.usb_ids("/dev/ttyS0", tmp_path / "class") is None
    (device / "idProduct").write_text("no number\n")
    assert sysfs.usb_ids("/dev/ttyUSB0", tmp_path / "class") is None


def test_identity_of_a_usb_adapter(tmp_path):
    node = tmp_path / "ttyUSB0"
    node.touch()
    made = entry(
        str(node), vid=0x1209, pid=1, serial_number="T7", location="1-2", manufacturer="Tern Works", product="Bridge"
    )
    (port,) = list_ports(lambda: [made])
    assert (port.vid, port.pid, port.serial_number, port.location) == (0x1209, 1, "T7", "1-2")
    assert (port.manufacturer, port.product, port.title) == ("Tern Works", "Bridge", "Bridge")
    assert port.accessible
    assert not port.phantom
    assert (port.trouble, port.cure, port.holder) == (None, None, None)
    json.dumps(port._asdict())


def test_a_port_without_a_name_is_called_by_its_device(tmp_path):
    (tmp_path / "ttyS3").touch()
    (port,) = list_ports(lambda: [entry(str(tmp_path / "ttyS3"))])
    assert port.title == "ttyS3"


def test_hostile_descriptors_are_made_safe():
    bad = "\x1b]0;x\x07\u202e[/]" + "A" * 500
    made = entry("/dev/tty\x1bUSB0", vid=1, pid=2, serial_number=bad, location=bad, manufacturer=bad, product=bad)
    (port,) = list_ports(lambda: [made])
    text = "".join(value for value in port._asdict().values() if isinstance(value, str))
    assert not set(text) & {"\x1b", "\x07", "\u202e"}
    assert len(port.product or "") < 200


def test_real_adapters_first_in_natural_order_and_phantoms_last(monkeypatch):
    monkeypatch.setattr(ports, "is_phantom", lambda device: device == "/dev/ttyS0")
    made = [entry("/dev/ttyS0"), entry("/dev/ttyS1"), entry("/dev/ttyUSB10", vid=1), entry("/dev/ttyUSB9", vid=1)]
    listed = list_ports(lambda: made)
    assert [port.device for port in listed] == ["/dev/ttyUSB9", "/dev/ttyUSB10", "/dev/ttyS1", "/dev/ttyS0"]
    assert [port.phantom for port in listed] == [False, False, False, True]


def test_a_forbidden_port_says_why_and_what_to_do(monkeypatch, tmp_path):
    node = tmp_path / "ttyUSB0"
    node.touch()
    monkeypatch.setattr(ports.os, "access", lambda *_: False)  # root may open anything
    (port,) = list_ports(lambda: [entry(str(node), vid=1)])
    assert not port.accessible
    assert port.trouble
    assert port.cure


def test_the_holder_of_a_real_port_is_found(pty_peer):
    assert holder_of(pty_peer.port) is None
    fd = os.open(pty_peer.port, os.O_RDWR | os.O_NOCTTY)
    try:
        (port,) = list_ports(lambda: [entry(pty_peer.port)])
        assert port.holder is not None
        assert port.holder.endswith(f"(pid {os.getpid()})")
    finally:
        os.close(fd)


def test_a_holder_behind_a_link_and_with_a_hostile_name(tmp_path):
    # proc(5): /proc/PID/fd holds symbolic links to the open files, /proc/PID/comm the name
    device, alias = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    alias.symlink_to(device)
    files = tmp_path / "proc" / "42" / "fd"
    files.mkdir(parents=True)
    (files / "3").symlink_to(device)
    (files / "4").symlink_to("socket:[1]")
    (tmp_path / "proc" / "42" / "comm").write_bytes(b"a\x1b[1m\n")
    (tmp_path / "proc" / "43").mkdir()  # its files may not be seen
    assert holders([str(alias)], tmp_path / "proc") == {str(alias): "a\\x1b[1m (pid 42)"}
    assert holders([str(alias)], tmp_path / "nowhere") == {}


def test_what_the_system_files_say(tmp_path):
    # Documentation/ABI/testing/sysfs-tty: type is the number of the port type, 0 = PORT_UNKNOWN (serial_core.h)
    for name, kind in (("ttyS0", "0\n"), ("ttyS1", "4\n")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "type").write_text(kind)
    assert sysfs.is_phantom("/dev/ttyS0", tmp_path)
    assert not sysfs.is_phantom("/dev/ttyS1", tmp_path)
    assert not sysfs.is_phantom("/dev/ttyUSB0", tmp_path)
    usb = tmp_path / "ttyUSB0" / "device"
    usb.mkdir(parents=True)
    (tmp_path / "drivers" / "ftdi_sio").mkdir(parents=True)
    (usb / "driver").symlink_to(tmp_path / "drivers" / "ftdi_sio")
    (usb / "latency_timer").write_text("16\n")  # AN232B-04: 16 ms by default
    assert sysfs.driver_of("/dev/ttyUSB0", tmp_path) == "ftdi_sio"
    assert sysfs.latency_timer_s("/dev/ttyUSB0", tmp_path) == 0.016
    assert sysfs.driver_of("/dev/ttyS1", tmp_path) is None
    assert sysfs.latency_timer_s("/dev/ttyS1", tmp_path) is None


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (USB, USB._replace(device="/dev/ttyUSB2"), True),
        (USB, USB._replace(device="/dev/ttyUSB2", location="3-1"), True),  # another socket, known by its number
        (USB, USB._replace(serial_number="T8"), False),
        (USB, USB._replace(serial_number=None), False),
        (USB, USB._replace(pid=2), False),
        (USB._replace(serial_number=None), USB._replace(serial_number=None, device="/dev/ttyUSB2"), True),
        (USB._replace(serial_number=None), USB._replace(serial_number=None, location="3-1"), False),
        (USB._replace(serial_number=None, location=None), USB._replace(serial_number=None, location=None), False),
        (USB._replace(location="1-2:1.0"), USB._replace(location="1-2:1.1"), False),  # two ports of one adapter
        (PortInfo("COM1", "COM1"), PortInfo("COM1", "other"), True),
        (PortInfo("COM1", "COM1"), PortInfo("COM2", "COM1"), False),
        (PortInfo("COM1", "COM1"), USB._replace(device="COM1"), False),
    ],
)
def test_the_same_adapter(one, other, same):
    assert same_adapter(one, other) is same
    assert same_adapter(other, one) is same


def test_an_adapter_is_found_again_only_when_it_is_certain():
    back = USB._replace(device="/dev/ttyUSB2")
    twin = USB._replace(device="/dev/ttyUSB3", location="3-1")
    assert find_again(USB, [twin, back]) is back
    assert find_again(USB, [twin]) is twin
    assert find_again(USB, []) is None
    assert find_again(USB._replace(location="5-5"), [back, twin]) is None


async def test_what_comes_goes_and_changes_is_told_once():
    held = USB._replace(holder="logger (pid 7)")
    other = USB._replace(serial_number="T8")
    looks = [[], [], [USB], OSError("gone while looking"), [USB], [held], [other], []]

    def look():
        now = looks.pop(0)
        if isinstance(now, OSError):
            raise now
        return now

    told = []
    watching = watch_ports(0, lister=look)
    async for change in watching:
        told.append((change.kind, change.port))
        if len(told) == 5:
            break
    await watching.aclose()
    assert told == [("appeared", USB), ("changed", held), ("vanished", held), ("appeared", other), ("vanished", other)]


async def test_what_is_there_already_is_told_only_to_those_who_do_not_know():
    async def first(**known):
        watching = watch_ports(0, lister=lambda: looks.pop(0), **known)
        change = await anext(watching)
        await watching.aclose()
        return change.kind

    looks = [[USB], []]
    assert await first() == "vanished"
    looks = [[USB], []]
    assert await first(known=()) == "appeared"
    looks = [[USB], []]
    assert await first(known=[USB]) == "vanished"


async def test_looking_does_not_hold_the_loop():
    loop, entered = asyncio.get_running_loop(), asyncio.Event()
    import threading

    go = threading.Event()

    def slow():
        loop.call_soon_threadsafe(entered.set)
        go.wait(20)
        return [USB]

    watching = watch_ports(0, known=(), lister=slow)
    change = asyncio.ensure_future(anext(watching))
    await entered.wait()  # the loop runs while the list is made
    assert not change.done()
    go.set()
    assert (await change).kind == "appeared"
    await watching.aclose()


def test_listing_commands_start_without_the_serial_library():
    program = "import sys, console.link.ports; print([m for m in ('serial', 'asyncio', 'ctypes') if m in sys.modules])"
    run = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        check=True,
        cwd=os.path.dirname(os.path.dirname(os.path.dirname(ports.__file__))),
    )
    assert run.stdout.strip() == "[]"


def test_this_machine_can_be_listed():
    for port in list_ports():
        assert port.device
        assert port.title
