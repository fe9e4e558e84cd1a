"""The plug watch on the screen: what it says at every size, its keys, and that nothing hostile gets through."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from console.causes import plug
from console.link import plug_watch
from console.screens import plug_screen
from console.screens.app import WakelineApp
from console.screens.plug_screen import EventsPanel, PlugScreen, VerdictPanel
from console.screens.ports_screen import PortsScreen
from tests.fake_usb import FakeUsb

FAILS = (
    "usb 1-2: new full-speed USB device number 5 using xhci_hcd",
    "usb 1-2: device descriptor read/64, error -71",
    "usb usb1-port2: unable to enumerate USB device",
)


@pytest.fixture
def usb(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FakeUsb:
    """A system of our own, looked at often; what stays a moment stays for good."""
    made = FakeUsb(tmp_path / "system")
    monkeypatch.setattr(plug_screen, "PlugWatch", made.watch)
    monkeypatch.setattr(plug_watch, "TREE_S", 0.12)  # often enough, and idle between
    for name in ("STAYS_S", "SETTLES_S"):
        monkeypatch.setattr(plug, name, 0.0)
    return made


def shown(app: WakelineApp) -> PlugScreen:
    assert isinstance(app.screen, PlugScreen)
    return app.screen


async def opened(pilot: Any, until: Callable[..., Any]) -> PlugScreen:
    await pilot.press("p")
    await until(pilot, lambda: isinstance(pilot.app.screen, PlugScreen))
    screen = shown(pilot.app)
    await until(pilot, lambda: screen._shown is not None)
    return screen


async def becomes(pilot: Any, until: Callable[..., Any], kind: str) -> None:
    await until(pilot, lambda: shown(pilot.app).verdict.kind == kind)


async def test_p_opens_it_and_escape_goes_back(usb: FakeUsb, until: Any) -> None:
    app = WakelineApp()
    async with app.run_test() as pilot:
        await opened(pilot, until)
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen))
        await pilot.press("escape")
        assert isinstance(app.screen, PortsScreen)


async def test_what_does_not_answer_is_explained_at_every_size(
    usb: FakeUsb, size: tuple[int, int], until: Any, screen_text: Any
) -> None:
    app = WakelineApp()
    async with app.run_test(size=size) as pilot:
        await opened(pilot, until)
        usb.say(*FAILS)
        await becomes(pilot, until, "not-answering")
        await pilot.pause()
        words = screen_text(app)
        for word in ("✗ something is plugged in, but it does not answer", "next: push the plug fully in", "because",
                     "D+ or D- is open", "EPROTO", "gave up", "F1 help", "q quit", "e expect"):  # fmt: skip
            assert word in " ".join(words.split()), word


async def test_nothing_at_all(usb: FakeUsb, until: Any, screen_text: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    app = WakelineApp()
    async with app.run_test() as pilot:
        await opened(pilot, until)
        monkeypatch.setattr(plug, "PATIENCE_S", 0.0)
        await becomes(pilot, until, "nothing")
        await pilot.pause()
        assert "nothing at all since the watch began" in screen_text(app)
        assert "nothing came or went yet" in screen_text(app)


async def test_a_good_port_opens_with_enter(usb: FakeUsb, until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    went: list[str] = []
    async with app.run_test() as pilot:
        await opened(pilot, until)
        app.open_port = lambda settings: went.append(settings.port)  # type: ignore[method-assign]
        await pilot.press("enter")
        assert went == []  # nothing to open yet
        usb.plug(driver="cdc_acm", tty="ttyACM0")
        await becomes(pilot, until, "good")
        await pilot.pause()
        assert "✓ good:" in screen_text(app)
        assert "(Enter)" in screen_text(app)
        await pilot.press("enter")
        assert went == [str(usb.dev / "ttyACM0")]


async def test_the_device_that_came_last_becomes_the_expected_one(usb: FakeUsb, until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    async with app.run_test() as pilot:
        screen = await opened(pilot, until)
        await pilot.press("e")
        assert screen.fold.expected is None
        usb.plug(driver="cdc_acm", tty="ttyACM0")
        await becomes(pilot, until, "good")
        await pilot.press("e")
        assert screen.fold.expected == (0x1209, 1)
        usb.unplug()
        await becomes(pilot, until, "gone")
        usb.plug(number=6, driver="cdc_acm", tty="ttyACM0", idProduct="0002")
        await becomes(pilot, until, "other-device")
        await pilot.press("u")
        await becomes(pilot, until, "waiting")
        assert screen.fold.expected == (0x1209, 1)
        await pilot.press("e")
        assert screen.fold.expected is None


async def test_what_a_device_calls_itself_is_shown_as_escapes_and_is_no_markup(
    usb: FakeUsb, until: Any, screen_text: Any
) -> None:
    app = WakelineApp()
    async with app.run_test(size=(120, 36)) as pilot:
        await opened(pilot, until)
        usb.plug(product="\x1b[31m[/AA][red]")
        await becomes(pilot, until, "no-driver")
        await pilot.pause()
        assert "\\x1b[31m[/AA][red]" in screen_text(app)


async def test_what_cannot_be_seen_here_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, until: Any, screen_text: Any
) -> None:
    monkeypatch.setattr(plug_screen, "PlugWatch", FakeUsb(tmp_path / "bare", tree=False, log=False).watch)
    app = WakelineApp()
    async with app.run_test(size=(120, 36)) as pilot:
        await opened(pilot, until)
        words = " ".join(screen_text(app).split())
        assert "no kernel log" in words
        assert "no USB tree" in words


async def test_both_panels_take_the_focus_and_explain_themselves(usb: FakeUsb, until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    async with app.run_test(size=(120, 36)) as pilot:
        await opened(pilot, until)
        assert isinstance(app.focused, VerdictPanel)
        await pilot.press("tab")
        assert isinstance(app.focused, EventsPanel)
        await pilot.press("f1")
        await pilot.pause()
        words = " ".join(screen_text(app).replace("│", " ").split())
        assert "k the kernel's own words" in words
        assert "forget what was seen and watch anew" in words


async def test_the_newest_event_stays_in_view(usb: FakeUsb, until: Any, screen_text: Any) -> None:
    app = WakelineApp()
    async with app.run_test() as pilot:
        screen = await opened(pilot, until)
        usb.say(*FAILS * 10)
        await until(pilot, lambda: screen.fold.told == 30)
        panel = screen.query_one(EventsPanel)
        await until(pilot, lambda: panel.max_scroll_y > 0 and panel.scroll_y == panel.max_scroll_y)
        await pilot.press("tab", "home")
        assert panel.scroll_y == 0
        usb.say(FAILS[0])
        await until(pilot, lambda: screen.fold.told == 31)
        await pilot.pause()
        assert panel.scroll_y == 0  # who reads further up is left there
