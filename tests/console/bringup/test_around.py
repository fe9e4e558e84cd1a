"""Whether the board's port shows up: there at once, plugged in later, another device, never."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from console.boards.board_file import load_board
from console.boards.plan import Port
from console.bringup import around
from console.bringup.around import SystemPorts, keeps_its_rate, settings_for
from console.clock import MonotonicClock
from console.link.base import LineUse
from tests.fake_usb import FakeUsb


@pytest.fixture
def usb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FakeUsb:
    fake = FakeUsb(tmp_path / "system")
    monkeypatch.setattr(around, "PlugWatch", fake.watch)
    return fake


def ports(usb: FakeUsb, name: str = "ttyUSB0") -> SystemPorts:
    return SystemPorts(str(usb.dev / name), MonotonicClock())


async def test_a_bridge_that_is_there_is_named(usb: FakeUsb) -> None:
    usb.plug(driver="cp210x", tty="ttyUSB0")
    assert await ports(usb).shows_up(None, 5) == (True, "Tern bridge (1209:0001) is there")
    assert (await ports(usb).shows_up((0x1209, 1), 5))[0]


async def test_another_device_than_the_plans(usb: FakeUsb) -> None:
    usb.plug(driver="cp210x", tty="ttyUSB0")
    there, words = await ports(usb).shows_up((0x1209, 2), 5)
    assert not there
    assert "not the device 1209:0002 that the plan names" in words


async def test_one_that_is_plugged_in_while_it_looks(usb: FakeUsb, monkeypatch: pytest.MonkeyPatch) -> None:
    looking = asyncio.ensure_future(ports(usb).shows_up(None, 30))
    await asyncio.sleep(0)
    usb.plug(driver="cp210x", tty="ttyUSB0")
    assert (await looking)[0]


async def test_one_that_never_comes_says_what_was_seen_and_what_to_do(usb: FakeUsb) -> None:
    there, words = await ports(usb).shows_up(None, 0.05)
    assert not there
    assert words.startswith(f"{usb.dev / 'ttyUSB0'} did not come: ")
    assert "; " in words


async def test_ports_without_a_plug(usb: FakeUsb) -> None:
    (usb.dev / "ttyS0").touch()
    assert (await ports(usb, "ttyS0").shows_up(None, 5))[0]
    remote = SystemPorts("socket://127.0.0.1:5000", MonotonicClock())
    assert (await remote.shows_up(None, 5))[0]


async def test_a_simulated_port_is_there_or_not(tmp_path: Path) -> None:
    port = tmp_path / "board.port"
    simulated = SystemPorts(str(port), MonotonicClock(), "the simulated board's port is there")
    assert await simulated.shows_up(None, 5) == (False, f"{port} did not come")
    port.touch()
    assert await simulated.shows_up(None, 5) == (True, "the simulated board's port is there")


def test_control_lines_and_frame_come_from_the_board_file() -> None:
    settings = settings_for("p", Port(57600, "8E1", "dtr", "~rts"))
    assert (settings.baud, str(settings.frame)) == (57600, "8E1")
    assert settings.wake.reset == LineUse("dtr", True)
    assert settings.wake.strap == LineUse("rts", False)
    assert settings_for("p", Port(9600, "8N1")).wake.reset is None


def test_a_raw_connection_cannot_change_from_the_loaders_rate_to_the_programs() -> None:
    plan = load_board("tern-b")
    assert "115200 baud 8E1 for the loader and 115200 baud 8N1" in keeps_its_rate("socket://127.0.0.1:1", plan)
    assert keeps_its_rate("/dev/ttyUSB0", plan) == ""
    assert keeps_its_rate("socket://127.0.0.1:1", replace(plan, application=plan.loader)) == ""
    assert keeps_its_rate("socket://127.0.0.1:1", replace(plan, stages=plan.stages[:5])) == ""
