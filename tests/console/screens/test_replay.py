"""A capture on the screens: held, stepped, faster; it tells the same story as the live port."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from console.errors import InputTrouble, Outcome
from console.events import Event, Mark
from console.record.pcapng import CaptureWriter
from console.screens.app import WakelineApp, run_app
from console.screens.ask_screen import FileScreen
from console.screens.bench_screen import BenchScreen
from console.screens.capture_source import CaptureSource
from console.screens.ports_screen import PortsScreen
from console.screens.replay import FASTEST, SLOWEST, ReplayLine
from console.snapshot import Fold
from tests.console.bringup.staged_board import bring_up


@pytest.fixture
def capture(story: list[Event], tmp_path: Path) -> Path:
    path = tmp_path / "story.pcapng"
    writer = CaptureWriter.create(path, port="/dev/fake0", baud=115200)
    for event in story:
        writer.write(event)
    writer.close()
    return path


def bench(app: WakelineApp) -> BenchScreen:
    assert isinstance(app.screen, BenchScreen)
    return app.screen


def source(app: WakelineApp) -> CaptureSource:
    assert isinstance(app.source, CaptureSource)
    return app.source


async def test_a_replay_ends_with_the_picture_of_the_live_run(
    capture: Path, story: list[Event], size: tuple[int, int], until: Any, screen_text: Any
) -> None:
    live = Fold()
    for event in story:
        live.add(event)
    app = WakelineApp(capture=capture, speed=None)
    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: not app.loading and bench(app).snapshot.outcome is Outcome.OK)
        await pilot.pause()
        assert app.fold is not None
        assert app.fold.snapshot().stages == live.snapshot().stages
        assert app.fold.snapshot().causes == live.snapshot().causes
        words = screen_text(app)
        for word in ("capture", "at the end", "awake and identified", "✓ proven", "at once"):
            assert word in words
        await pilot.press("h")  # there is no port
        assert bench(app).snapshot.attempt == 2
        await pilot.press("q")
    assert app.return_value == 0


async def test_pause_step_and_speed(capture: Path, until: Any) -> None:
    app = WakelineApp(capture=capture, speed=0.125)
    async with app.run_test(size=(120, 36)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, BenchScreen))
        await pilot.press("space")
        assert source(app).pacer.paused
        fold = source(app).bridge.fold
        line = bench(app).query_one(ReplayLine)
        assert "held" in line.words().plain
        for _ in range(3):
            before = len(fold.trace)
            await pilot.press("full_stop")
            await until(pilot, lambda before=before: len(fold.trace) > before)
            assert len(fold.trace) == before + 1
        assert app.loading
        await pilot.press("plus")
        assert source(app).pacer.speed == 0.25
        for _ in range(12):
            bench(app).action_faster()
        assert source(app).pacer.speed is None
        assert "at once" in line.words().plain
        await pilot.press("minus")
        assert source(app).pacer.speed == FASTEST
        for _ in range(12):
            bench(app).action_slower()
        assert source(app).pacer.speed == SLOWEST
        for _ in range(12):
            bench(app).action_faster()
        await pilot.press("space")
        await until(pilot, lambda: not app.loading)


async def test_leaving_in_the_middle_leaves_no_task(capture: Path, until: Any) -> None:
    app = WakelineApp(capture=capture, speed=0.125)
    async with app.run_test() as pilot:
        await until(pilot, lambda: isinstance(app.screen, BenchScreen))
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen))
        assert app.source is None


async def test_a_capture_is_opened_by_name_and_a_wrong_name_is_told(capture: Path, until: Any) -> None:
    app = WakelineApp()
    async with app.run_test(notifications=True) as pilot:
        await pilot.pause()
        await pilot.press("o")
        assert isinstance(app.screen, FileScreen)
        await pilot.press("home", *"no-such-", "enter")
        await until(pilot, lambda: len(app._notifications))
        assert "next:" in next(iter(app._notifications)).message
        assert isinstance(app.screen, PortsScreen)
        await pilot.press("o", "escape")
        assert isinstance(app.screen, PortsScreen)
        await pilot.press("o", "enter")  # the newest capture of the folder is offered
        await until(pilot, lambda: isinstance(app.screen, BenchScreen))
        assert source(app).path.name == capture.name


def test_an_unreadable_capture_never_opens_a_screen(tmp_path: Path) -> None:
    with pytest.raises(InputTrouble):
        run_app(capture=tmp_path / "none.pcapng")
    bad = tmp_path / "bad.pcapng"
    bad.write_bytes(b"not a capture")
    with pytest.raises(InputTrouble):
        run_app(capture=bad)


@pytest.fixture
def cut(capture: Path) -> Path:
    """The capture without its last bytes."""
    capture.write_bytes(capture.read_bytes()[:-30])
    return capture


async def test_a_cut_capture_says_so(cut: Path, until: Any) -> None:
    app = WakelineApp(capture=cut, speed=None)
    async with app.run_test(size=(200, 50)) as pilot:
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and not app.loading)
        assert "▲" in bench(app).query_one(ReplayLine).words().plain


@pytest.fixture(scope="module")
def plan_capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole board's plan, cut off where its suspects were looked at."""
    path = tmp_path_factory.mktemp("plan") / "plan.pcapng"
    writer = CaptureWriter.create(path, port="/dev/fake0", baud=115200)
    events = bring_up("open-pin:pin=U6.2").events
    steps = [event.fields.get("step") if isinstance(event, Mark) else None for event in events]
    for event in events[: steps.index("cleared")]:
        writer.write(event)
    writer.close()
    return path


async def test_a_board_brought_up_by_its_plan_shows_plan_and_suspects(
    plan_capture: Path, size: tuple[int, int], until: Any, screen_text: Any
) -> None:
    app = WakelineApp(capture=plan_capture, speed=None)
    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: not app.loading and "suspects: memory failed" in screen_text(app))
        text = " ".join(screen_text(app).split())
        assert "✗ memory failed id FF FF FF" in text
        assert "solder bridge" in text
        await pilot.press("q")
