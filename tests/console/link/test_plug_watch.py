"""The USB tree in files, and looks that put tree, rights and log together."""

from __future__ import annotations

import pytest

from console.link import plug_watch, usb_tree
from console.link.plug_watch import PlugWatch, looks
from console.link.ports import PortInfo
from console.usb import Tty
from tests.fake_usb import FakeUsb


@pytest.fixture
def usb(tmp_path):
    return FakeUsb(tmp_path / "system")


def test_a_device_is_read_whole(usb):
    usb.plug("1-2", 5, driver="ftdi_sio", tty="ttyUSB0")
    (device,) = usb_tree.usb_devices(usb.devices)
    assert (device.place, device.number, device.vid, device.pid) == ("1-2", 5, 0x1209, 1)
    assert (device.product, device.manufacturer, device.serial_number) == ("Tern bridge", "flood watch", "T7")
    assert (device.speed_mbps, device.device_class, device.drivers) == (12.0, 0, ("ftdi_sio",))
    assert device.ttys == (Tty("ttyUSB0"),)
    assert device.title == "Tern bridge (1209:0001)"


def test_the_two_places_where_drivers_hang_their_ports(usb):
    # cdc-acm: INTERFACE/tty/ttyACM0; usb-serial: INTERFACE/ttyUSB0/tty/ttyUSB0
    usb.plug("1-3", 6, driver="cdc_acm", tty="ttyACM0")
    usb.plug("1-4.1", 7, driver="cp210x", tty="ttyUSB1")
    assert [device.ttys[0].name for device in usb_tree.usb_devices(usb.devices)] == ["ttyACM0", "ttyUSB1"]


def test_hostile_and_broken_descriptors(usb):
    usb.plug("1-1", product="\x1b]0;x\x07\u202e[/]" + "A" * 500, speed="fast", devnum="-3", bDeviceClass="zz")
    usb.plug("1-2", idVendor="not hex")  # such a device is left out: a half that went while it was read
    (device,) = usb_tree.usb_devices(usb.devices)
    assert not set(device.product) & {"\x1b", "\x07", "\u202e"}
    assert len(device.product) < 200
    assert (device.speed_mbps, device.number, device.device_class, device.drivers) == (None, 0, 0, ("",))


def test_no_tree_at_all(tmp_path):
    assert usb_tree.usb_devices(tmp_path / "nowhere") is None


def test_a_look_has_devices_with_rights_and_the_kernels_new_words(usb, monkeypatch):
    usb.plug(driver="ftdi_sio", tty="ttyUSB0")
    with usb.watch() as watch:
        assert (watch.notes, watch.interval_s) == ((), plug_watch.TREE_S)
        look = watch.look(1.5)
        assert (look.t_s, look.log, look.lines) == (1.5, True, ())
        node = str(usb.dev / "ttyUSB0")
        assert look.devices[0].ttys == (Tty(node),)
        usb.say("usb 1-2: USB disconnect, device number 5")
        usb.unplug()
        look = watch.look(2.0)
        assert (look.devices, [line.text for line in look.lines]) == ((), ["usb 1-2: USB disconnect, device number 5"])
        usb.plug(number=6, driver="ftdi_sio", tty="ttyUSB0")
        monkeypatch.setattr(plug_watch.os, "access", lambda *_: False)  # root may open anything
        (tty,) = watch.look(2.5).devices[0].ttys
        assert not tty.usable
        assert tty.cure


def test_what_cannot_be_seen_is_said(tmp_path):
    with FakeUsb(tmp_path / "system", tree=False, log=False).watch() as watch:
        assert len(watch.notes) == 2
        assert watch.interval_s == plug_watch.LIST_S
        look = watch.look(0.0)
        assert (look.log, look.devices) == (False, ())


def test_without_a_tree_the_list_of_ports_stands_in(tmp_path):
    ports = [
        PortInfo("COM7", "x", 0x1209, 1, "T7", "1-2:1.0", product="two ports"),
        PortInfo("COM8", "x", 0x1209, 1, "T7", "1-2:1.1", accessible=False, cure="close it"),
        PortInfo("COM1", "not USB"),
    ]
    with PlugWatch(tree=tmp_path / "none", kmsg=tmp_path / "none", lister=lambda: ports) as watch:
        (device,) = watch.look(0.0).devices
    assert (device.place, device.vid, device.product) == ("1-2", 0x1209, "two ports")
    assert device.ttys == (Tty("COM7"), Tty("COM8", False, "close it"))


async def test_a_list_that_fails_for_a_moment_does_not_end_the_watch(tmp_path, monkeypatch):
    answers = [OSError("went while it was listed"), [], []]

    def lister():
        answer = answers.pop(0)
        if isinstance(answer, OSError):
            raise answer
        return answer

    monkeypatch.setattr(plug_watch, "LIST_S", 0.0)
    with PlugWatch(tree=tmp_path / "none", kmsg=tmp_path / "none", lister=lister) as watch:
        async for look in looks(watch):
            assert look.devices == ()
            break
    assert len(answers) == 1


async def test_looks_come_one_after_the_other(usb, monkeypatch):
    monkeypatch.setattr(plug_watch, "TREE_S", 0.0)
    with usb.watch() as watch:
        times = []
        async for look in looks(watch):
            times.append(look.t_s)
            if len(times) == 3:
                break
    assert times == sorted(times)


def test_this_machine_can_be_looked_at():
    with PlugWatch(lister=list) as watch:
        watch.look(0.0)
