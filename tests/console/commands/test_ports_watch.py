"""`wakeline ports --watch`: events and verdict as text, one JSON object, exit codes, and an end by itself or Ctrl-C."""

from __future__ import annotations

import asyncio
import json
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from console import cli
from console.causes import plug
from console.commands import ports, ports_watch
from console.link import plug_watch
from console.link.ports import PortChange, PortInfo
from console.usb import Look
from tests.fake_usb import FakeUsb

FAILS = (
    "usb 1-2: new full-speed USB device number 5 using xhci_hcd",
    "usb 1-2: device descriptor read/64, error -110",
    "usb usb1-port2: unable to enumerate USB device",
)
OTHER = PortInfo("/dev/rfcomm0", "rfcomm0")
USB = PortInfo("/dev/ttyUSB0", "adapter", 0x1209, 1)


async def stopped() -> None:
    """The user's Ctrl-C, as the terminal sends it."""
    signal.raise_signal(signal.SIGINT)
    await asyncio.Event().wait()


class Story:
    """What happens between the looks; Ctrl-C after the last step."""

    def __init__(self, usb: FakeUsb) -> None:
        self.usb = usb
        self.steps: list[Callable[[], object]] = []

    async def looks(self, watch: Any) -> Any:
        yield watch.look(0.0)
        for number, step in enumerate(self.steps, 1):
            step()
            found: Look = watch.look(number * 10.0)
            yield found
        await stopped()


@pytest.fixture
def story(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Story:
    usb = FakeUsb(tmp_path / "system")
    made = Story(usb)
    monkeypatch.setattr(ports, "list_ports", list)
    monkeypatch.setattr(ports.registry, "running", list)
    monkeypatch.setattr(ports_watch, "PlugWatch", usb.watch)
    monkeypatch.setattr(ports_watch, "looks", made.looks)
    return made


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    code = cli.run(["ports", "--watch", *words])
    out, err = capsys.readouterr()
    assert err == ""
    return code, out


def test_events_then_the_verdict_with_suspects_and_steps(story: Story, capsys: Any) -> None:
    story.steps = [lambda: story.usb.say(*FAILS)]
    code, out = run(capsys)
    assert code == 6
    order = ["=> watching", "noticed: full-speed device", "-110 ETIMEDOUT", "gave up", "=> something is plugged in",
             "verdict not-answering", "[bridge-chip-dead]", "because", "next:"]  # fmt: skip
    places = [out.index(words) for words in order]
    assert places == sorted(places)


def test_a_good_port_ends_with_0(story: Story, capsys: Any) -> None:
    story.steps = [lambda: story.usb.plug(driver="cdc_acm", tty="ttyACM0"), lambda: None]
    code, out = run(capsys)
    assert code == 0
    assert "port " + str(story.usb.dev / "ttyACM0") + " came" in out
    assert "verdict good" in out


def test_json_is_one_object_and_nothing_else(story: Story, capsys: Any) -> None:
    story.steps = [lambda: story.usb.say(*FAILS), lambda: story.usb.plug(driver="cdc_acm", tty="ttyACM0")]
    code, out = run(capsys, "--json", "--expect", "1209:0002")
    found = json.loads(out)
    assert (code, found["outcome"], found["verdict"]["kind"]) == (0, "ok", "settling")
    assert {"ports", "simulated", "events", "causes", "next_check", "port", "device", "notes", "error"} <= set(found)
    assert found["error"] is None
    assert [event["kind"] for event in found["events"]] == ["kernel"] * 3 + ["came", "port"]
    assert found["device"]["ttys"][0]["usable"] is True
    story.usb.unplug()
    story.steps = [lambda: story.usb.plug(driver="cdc_acm", tty="ttyACM0"), lambda: None]
    code, out = run(capsys, "--json", "--expect", "1209:0002")
    found = json.loads(out)
    assert (code, found["outcome"], found["error"]["code"]) == (6, "port", "plug-other-device")
    assert found["causes"][0]["id"] == "wrong-port"
    assert found["error"]["help"]


def test_a_broken_kernel_line_or_device_name_reaches_no_terminal(story: Story, capsys: Any) -> None:
    story.steps = [
        lambda: story.usb.say("usb 1-2: usbfs: interface 0 claimed by x while '\\x1b]0;y\\x07' sets config #1"),
        lambda: story.usb.plug(product="\x1b[2J"),
        lambda: None,
    ]
    _, out = run(capsys)
    assert "\\x1b]0;y" in out
    assert "\\x1b[2J" in out
    assert "\x1b" not in out


def test_ports_of_another_kind_and_holders_are_told_too(
    story: Story, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = asyncio.Event()

    async def changes(**_: Any) -> Any:
        yield PortChange("appeared", USB)  # the tree tells that
        yield PortChange("appeared", OTHER)
        yield PortChange("changed", USB._replace(holder="logger (pid 7)"))
        yield PortChange("appeared", OTHER._replace(device="/dev/ttyS9", phantom=True))
        told.set()

    async def nothing(watch: Any) -> Any:
        yield watch.look(0.0)
        await told.wait()
        await stopped()

    monkeypatch.setattr(ports_watch, "watch_ports", changes)
    monkeypatch.setattr(ports_watch, "looks", nothing)
    code, out = run(capsys)
    assert code == 0
    assert "appeared: /dev/rfcomm0" in out
    assert "in use by logger (pid 7)" in out
    assert "appeared: /dev/ttyUSB0" not in out
    assert "ttyS9" not in out


def test_it_ends_by_itself(story: Story, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports_watch, "looks", plug_watch.looks)
    monkeypatch.setattr(plug, "PATIENCE_S", 0.0)
    code, out = run(capsys, "--for", "0.05", "--json")
    found = json.loads(out)
    assert (code, found["verdict"]["kind"], found["error"]["code"]) == (6, "nothing", "plug-nothing")
    assert found["next_check"] == found["steps"][0]
