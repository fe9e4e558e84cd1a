"""The list of ports: live, with identity, holder, trouble and cure."""

from __future__ import annotations

import threading
from typing import Any

import pytest

import console.link.ports
from console.link.ports import PortInfo
from console.screens.app import WakelineApp
from console.screens.bench_screen import BenchScreen
from console.screens.ports_screen import PortList, PortsScreen
from console.screens.source import LiveSource

GOOD = PortInfo("/dev/ttyUSB0", "serial bridge", 0x1234, 0x5678, "A1", manufacturer="nobody", product="serial bridge")
HELD = PortInfo("/dev/ttyUSB1", "[/AA] bridge", 0x1234, 0x5679, holder="logger (process 42)")
SHUT = PortInfo("/dev/ttyS0", "ttyS0", accessible=False, trouble="you may not open this port", cure="join the group")
PHANTOM = PortInfo("/dev/ttyS9", "ttyS9", phantom=True)


class Ports:
    """What the machine has; the test changes it and tells when the screen may look again."""

    def __init__(self) -> None:
        self.now = [GOOD, HELD, SHUT, PHANTOM]
        self.looked = threading.Event()

    def list(self) -> list[PortInfo]:
        self.looked.set()
        return list(self.now)


@pytest.fixture
def ports(monkeypatch: pytest.MonkeyPatch) -> Ports:
    made = Ports()
    monkeypatch.setattr(console.link.ports, "list_ports", made.list)
    monkeypatch.setattr(console.link.ports, "POLL_S", 0.15)  # often enough, and idle between
    return made


def shown(app: WakelineApp) -> PortsScreen:
    assert isinstance(app.screen, PortsScreen)
    return app.screen


async def test_lists_ports_and_simulated_boards(
    ports: Ports, size: tuple[int, int], until: Any, screen_text: Any
) -> None:
    app = WakelineApp()
    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: shown(app).ports)
        await pilot.pause()
        words = screen_text(app)
        for word in ("/dev/ttyUSB0", "/dev/ttyUSB1", "▲ held", "▲ no permission", "tern-07", "tern-12", "1234:5678"):
            assert word in words
        assert "ttyS9" not in words
        await pilot.press("down")
        assert "logger (process 42)" in screen_text(app)
        await pilot.press("down")
        words = screen_text(app)
        assert "you may not open this port" in words
        assert "join the group" in words


async def test_a_known_bridge_tells_the_rate_it_really_uses(ports: Ports, until: Any, screen_text: Any) -> None:
    ports.now = [PortInfo("/dev/ttyUSB7", "bridge", 0x0403, 0x6001)]  # AN232B-05: 26 eighths of 3 MHz is 115384.6
    app = WakelineApp()
    async with app.run_test() as pilot:
        await until(pilot, lambda: shown(app).ports)
        await pilot.pause()
        assert "115384.6 (+0.16 %)" in screen_text(app)


async def test_the_highlight_stays_on_its_port_when_others_come_and_go(ports: Ports, until: Any) -> None:
    app = WakelineApp()
    async with app.run_test() as pilot:
        await until(pilot, lambda: shown(app).ports)
        await pilot.press("down")
        listing = app.screen.query_one(PortList)
        assert listing.highlighted_option is not None
        assert listing.highlighted_option.id == "port:/dev/ttyUSB1"
        ports.now = [HELD]
        await until(pilot, lambda: shown(app).ports == [HELD])
        assert listing.highlighted_option is not None
        assert listing.highlighted_option.id == "port:/dev/ttyUSB1"
        ports.now = []
        await until(pilot, lambda: shown(app).ports == [])
        assert listing.highlighted_option is not None
        assert listing.highlighted_option.id == "scene:tern-07"


async def test_enter_opens_a_port(ports: Ports, until: Any) -> None:
    app = WakelineApp()
    opened: list[str] = []
    async with app.run_test() as pilot:
        app.open_port = lambda settings: opened.append(settings.port)  # type: ignore[method-assign]
        app.open_scene = lambda scene: opened.append(scene)  # type: ignore[method-assign]
        await until(pilot, lambda: shown(app).ports)
        await pilot.press("enter", "end", "enter")
        await until(pilot, lambda: len(opened) == 2)
    assert opened == ["/dev/ttyUSB0", "tern-12"]


async def test_a_missing_port_opens_the_bench_with_the_trouble(until: Any) -> None:
    from console.link.base import LinkSettings

    app = WakelineApp()
    async with app.run_test() as pilot:
        await pilot.pause()
        app.open_port(LinkSettings(port="no-such-port"))
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and app.screen.snapshot.problem)
        assert isinstance(app.source, LiveSource)
        assert app.screen.snapshot.problem.code == "port-missing"  # type: ignore[attr-defined]
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen))
