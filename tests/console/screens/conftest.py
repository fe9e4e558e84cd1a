"""Screens without a port: a link that answers from a table, and an app that can be asked for its text."""

from __future__ import annotations

import asyncio
import html
import re
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from console.clock import Clock, MonotonicClock
from console.errors import PortTrouble
from console.events import Event, Mark, MarkKind
from console.link.base import LinkSettings
from console.screens import ports_screen
from console.screens.app import WakelineApp
from console.screens.source import LiveSource
from tests.fake_link import ANSWERS, FakeLink

SIZES = [(80, 24), (120, 36), (200, 50)]


class Rig:
    """One fake port and the source over it; `link` is the one opened last."""

    def __init__(self, port: str = "/dev/fake0") -> None:
        self.table: dict[bytes, bytes] = {}
        self.refuse: PortTrouble | None = None
        self.links: list[FakeLink] = []
        self.source = LiveSource(LinkSettings(port=port), make=self._make, listen_s=0)

    @property
    def link(self) -> FakeLink:
        return self.links[-1]

    def _make(self, settings: LinkSettings, clock: Clock) -> FakeLink:
        link = FakeLink(lambda data: self.table.get(data, b""), settings, clock)
        link.refuse = self.refuse
        self.links.append(link)
        return link

    def answers(self) -> None:
        """From now on the board answers as a good one."""
        self.table.update(ANSWERS)


@pytest.fixture(autouse=True)
def no_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test looks at this machine's ports or at running benches."""
    import console.link.ports

    monkeypatch.setattr(console.link.ports, "list_ports", list)
    monkeypatch.setattr(ports_screen, "_boards", lambda: ())
    monkeypatch.setattr(ports_screen, "_scenes", lambda: (("tern-07", "Tern 07 does not answer"), ("tern-12", "good")))


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def make_rig() -> Callable[..., Rig]:
    return Rig


@pytest.fixture(params=SIZES, ids=lambda size: f"{size[0]}x{size[1]}")
def size(request: pytest.FixtureRequest) -> tuple[int, int]:
    """The three sizes the screens are made for."""
    found: tuple[int, int] = request.param
    return found


@pytest.fixture
def until() -> Callable[..., Awaitable[None]]:
    """Lets the app work until a condition holds; the test's own timeout is the limit."""

    async def wait(pilot: Any, condition: Callable[[], object]) -> None:
        while not condition():  # noqa: ASYNC110  # any condition of the app, not one event
            await asyncio.sleep(0.002)  # only to let others work; the condition decides
        await pilot.pause()

    return wait


@pytest.fixture
def screen_text() -> Callable[[WakelineApp], str]:
    """What stands on the screen, read back from an exported picture."""

    def read(app: WakelineApp) -> str:
        rows: dict[float, list[tuple[float, str]]] = {}
        for found in re.finditer(r'<text[^>]*x="([\d.]+)"[^>]*y="([\d.]+)"[^>]*>(.*?)</text>', app.export_screenshot()):
            x, y, text = found.groups()
            rows.setdefault(float(y), []).append((float(x), html.unescape(text).replace("\xa0", " ")))
        return "\n".join("".join(text for _, text in sorted(rows[y])) for y in sorted(rows))

    return read


@pytest.fixture
def story() -> list[Event]:
    """A short session as events: silence, swap, sync."""
    from console.events import Chunk

    clock = MonotonicClock()
    start = clock.now_ns()

    def at(ms: float) -> int:
        return start + round(ms * 1e6)

    def mark(ms: float, kind: MarkKind, **fields: Any) -> Mark:
        return Mark(at(ms), kind, fields)

    return [
        mark(0, MarkKind.SETTINGS, port="/dev/fake0", baud=115200, frame="8E1", family="an3155"),
        mark(1, MarkKind.ATTEMPT, n=1, wires="as-built"),
        mark(2, MarkKind.STAGE_BEGIN, name="sync"),
        Chunk(at(3), "out", b"\x7f"),
        mark(500, MarkKind.STAGE_END, name="sync", outcome="no-answer", hint="no-reply", message="no answer"),
        mark(600, MarkKind.OPERATOR, action="swap-done"),
        mark(601, MarkKind.ATTEMPT, n=2, wires="swapped"),
        mark(602, MarkKind.STAGE_BEGIN, name="sync"),
        Chunk(at(603), "out", b"\x7f"),
        Chunk(at(604), "in", b"\x79"),
        mark(605, MarkKind.STAGE_END, name="sync", outcome="ok"),
        mark(606, MarkKind.STAGE_BEGIN, name="identify"),
        Chunk(at(607), "out", b"\x02\xfd"),
        Chunk(at(609), "in", bytes.fromhex("7901041079")),
        mark(610, MarkKind.STAGE_END, name="identify", outcome="ok"),
        mark(611, MarkKind.END),
    ]
