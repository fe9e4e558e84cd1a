"""`wakeline open` hands all that its options say to the screens."""

from __future__ import annotations

from typing import Any

import pytest

import protocols
from console import cli
from console.commands import open as open_command
from console.link.base import LinkSettings
from console.screens import app as screens
from console.screens.source import LiveSource
from tests.fake_link import FakeLink


def test_the_family_reaches_the_screens(monkeypatch: pytest.MonkeyPatch) -> None:
    given: dict[str, Any] = {}
    monkeypatch.setattr(screens, "run_app", lambda **words: given.update(words) or 0)
    monkeypatch.setattr(open_command.sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(open_command.sys.stdout, "isatty", lambda: True, raising=False)
    known = protocols.load("an3155")
    monkeypatch.setattr(protocols, "load", lambda name: known)
    assert cli.run(["open", "/dev/ttyUSB7", "--family", "third-party", "--baud", "9600"]) == 0
    assert (given["family"], given["port"].port, given["port"].baud) == ("third-party", "/dev/ttyUSB7", 9600)


async def test_a_source_speaks_the_family_it_is_given(monkeypatch: pytest.MonkeyPatch) -> None:
    known, asked = protocols.load("an3155"), []

    def load(name: str) -> Any:
        asked.append(name)
        return known

    app = screens.WakelineApp(port=LinkSettings(port="/dev/fake0"), family="third-party")
    assert isinstance(app.source, LiveSource)
    source = app.source
    source._make = lambda settings, clock: FakeLink(lambda data: b"", settings, clock)
    monkeypatch.setattr(protocols, "load", load)
    session = await source.ready()
    await source.close()
    assert session.family is known
    assert asked[0] == "third-party"
