"""From one bench to another: nothing is left without being asked, and no trouble in closing makes a key dead."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from console.errors import Outcome, PortTrouble
from console.events import Event
from console.operating import Reply
from console.record.pcapng import CaptureWriter
from console.screens import navigation
from console.screens.app import WakelineApp
from console.screens.ask_screen import AskScreen, FileScreen
from console.screens.bench_screen import BenchScreen
from console.screens.bringup_screen import BringupScreen
from console.screens.capture_source import CaptureSource
from console.screens.in_thread import in_thread
from console.screens.plan_source import PlanSource
from console.screens.ports_screen import PortsScreen
from tests.console.screens.test_bringup_screen import TERN


@pytest.fixture(autouse=True)
def capture(story: list[Event], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The one capture of the working folder."""
    path = tmp_path / "story.pcapng"
    writer = CaptureWriter.create(path, port="/dev/fake0", baud=115200)
    for event in story:
        writer.write(event)
    writer.close()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    return path


def told(app: WakelineApp) -> str:
    """The notes in the corner."""
    return " ".join(f"{note.title} {note.message}" for note in app._notifications)


async def wish_for_a_capture(app: WakelineApp, pilot: Any, until: Any) -> None:
    """o, and Enter on the capture that the folder holds."""
    await pilot.press("o")
    await until(pilot, lambda: isinstance(app.screen, FileScreen))
    await pilot.press("enter")


async def test_opening_a_capture_in_the_middle_of_a_plan_asks_first(until: Any, screen_text: Any) -> None:
    app = WakelineApp(plan=PlanSource(TERN, "/dev/no-such-port", serial="23"))
    async with app.run_test() as pilot:
        await until(pilot, lambda: isinstance(app.screen, BringupScreen) and app.source and app.source.busy)
        plan = app.source
        await wish_for_a_capture(app, pilot, until)
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        assert "the plan still runs: close this bench?" in screen_text(app)
        await pilot.press("escape")
        assert isinstance(app.screen, BringupScreen)
        assert app.source is plan
        assert plan.busy  # type: ignore[union-attr]
        await wish_for_a_capture(app, pilot, until)
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen))
        assert isinstance(app.source, CaptureSource)
        assert not plan.busy  # type: ignore[union-attr]
        await pilot.press("q")


async def test_a_plan_that_is_over_and_not_recorded_is_not_left_without_asking(until: Any, screen_text: Any) -> None:
    app = WakelineApp(plan=PlanSource(TERN, "/dev/no-such-port", serial="23"))
    async with app.run_test() as pilot:
        await until(pilot, lambda: isinstance(app.screen, BringupScreen) and app.screen.source.keys.check)
        await pilot.press("x", "enter")
        await until(pilot, lambda: app.source is not None and not app.source.busy)
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        assert "this session is not recorded: close this bench?" in screen_text(app)
        await pilot.press("escape", "q")


async def test_a_plan_that_is_closed_while_the_port_is_used_ends_where_it_can_be_stopped(
    until: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = PlanSource(TERN, "/dev/no-such-port", serial="23")
    app = WakelineApp(plan=source)
    async with app.run_test() as pilot:
        await until(pilot, lambda: source.keys.check)
        monkeypatch.setattr(type(source.session), "busy", property(lambda self: True))
        monkeypatch.setattr(source._bringup, "stop", lambda: source.keys.say(Reply("stop")))
        app.leave()
    assert source._task is not None
    assert not source._task.cancelled()
    state = source.bridge.fold.snapshot().bringup
    assert state is not None
    assert state.outcome is Outcome.STOPPED
    assert "the plan was left at look-supply" in app.last_words


async def test_opening_a_capture_over_a_session_that_would_be_lost_asks_first(
    make_rig: Callable[..., Any], until: Any, screen_text: Any
) -> None:
    app, rig = WakelineApp(), make_rig()
    rig.answers()
    async with app.run_test() as pilot:
        app.go(rig.source)
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and rig.links)
        await pilot.press("h")
        await until(pilot, lambda: "awake and identified" in screen_text(app))
        await wish_for_a_capture(app, pilot, until)
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        await pilot.press("escape")
        assert app.source is rig.source
        await pilot.press("q")


@pytest.mark.parametrize("error", [StopIteration, ValueError, PortTrouble("link-lost", "it is gone", help="wait")])
async def test_what_fails_while_one_bench_is_closed_is_told_and_the_next_one_opens(
    error: Any, make_rig: Callable[..., Any], until: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    app, first, second = WakelineApp(), make_rig(), make_rig("/dev/fake1")

    def fails() -> None:
        raise error

    async def close() -> None:
        await in_thread(fails)

    async with app.run_test(size=(120, 36)) as pilot:
        app.go(first.source)
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and first.links)
        monkeypatch.setattr(first.source, "close", close)
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen))
        app.go(second.source)
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and second.links)
        words = "it is gone" if isinstance(error, PortTrouble) else "wakeline made a mistake"
        await until(pilot, lambda: words in told(app))
        await pilot.press("q")


async def test_a_bench_that_never_closes_is_told_and_the_next_one_opens(
    make_rig: Callable[..., Any], until: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(navigation, "_SLOW_S", 0.01)
    monkeypatch.setattr(navigation, "_CLOSE_S", 0.01)
    app, first, second = WakelineApp(), make_rig(), make_rig("/dev/fake1")
    never = threading.Event()

    async def close() -> None:
        await in_thread(never.wait)

    async with app.run_test(size=(120, 36)) as pilot:
        app.go(first.source)
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and first.links)
        monkeypatch.setattr(first.source, "close", close)
        app.go(second.source)
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and second.links)
        await until(pilot, lambda: "what was open does not close" in told(app))
        never.set()
        await pilot.press("q")


async def test_a_stop_iteration_in_a_thread_arrives() -> None:
    with pytest.raises(RuntimeError, match="StopIteration"):
        await in_thread(lambda: next(iter(())))
    assert await in_thread(lambda: 3) == 3
