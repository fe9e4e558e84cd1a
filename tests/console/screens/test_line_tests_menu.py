"""Tests of the line from the bench screen: chosen, prepared, run, told. The fake port answers from a table."""

from __future__ import annotations

from typing import Any

import pytest

from console.errors import Outcome
from console.screens.app import WakelineApp
from console.screens.ask_screen import AskScreen, ChooseScreen
from console.screens.bench_screen import BenchScreen
from console.session import line_tests


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fake port answers in the next turn of the loop."""
    monkeypatch.setattr(line_tests, "BACK_WITHIN_S", 0.01)
    monkeypatch.setattr(line_tests, "EXTRA_WITHIN_S", 0.0)
    monkeypatch.setattr(line_tests, "SETTLE_S", 0.0)
    monkeypatch.setattr(line_tests, "QUIET_S", 0.0)
    monkeypatch.setattr(line_tests, "LISTEN_EACH_S", 0.0)


def opened(rig: Any) -> WakelineApp:
    app = WakelineApp()
    app.source, app.tells_exit = rig.source, True
    return app


def bench(app: WakelineApp) -> BenchScreen:
    screen = app.screen
    assert isinstance(screen, BenchScreen)
    return screen


async def test_a_loop_back_is_chosen_prepared_and_told(rig: Any, size: Any, until: Any, screen_text: Any) -> None:
    app = opened(rig)
    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("e")
        assert isinstance(app.screen, ChooseScreen)
        assert "joined at the adapter" in " ".join(screen_text(app).split())
        await pilot.press("1")
        assert isinstance(app.screen, AskScreen)
        words = " ".join(screen_text(app).split())
        assert "take the board off" in words
        assert "caution" in words
        rig.link.answer = lambda data: data
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and bench(app).snapshot.findings)
        await pilot.pause()
        shown = bench(app).snapshot
        assert shown.outcome is Outcome.OK
        words = screen_text(app)
        assert "test passed" in words
        assert "awake" not in words
        await pilot.press("z", "n", "n", "n")
        assert "came back unchanged" in " ".join(screen_text(app).split())


async def test_not_now_sends_nothing(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("e", "escape")
        await pilot.press("e", "3", "escape")
        assert isinstance(app.screen, BenchScreen)
        assert not rig.link.written


async def test_other_settings_ask_for_a_reset_before_each_try(rig: Any, until: Any, screen_text: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("e", "6")
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        assert "reset the board" in " ".join(screen_text(app).split())
        rig.answers()
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and bench(app).snapshot.outcome is Outcome.OK)
        assert bench(app).snapshot.identity is not None


async def test_stopping_the_tries_is_possible(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("e", "6")
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        await pilot.press("escape")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen))
        assert not rig.link.written


async def test_listening_at_rates_needs_no_hands_and_tells(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("e", "5")
        await until(pilot, lambda: len(bench(app).snapshot.findings) == len(line_tests.USUAL_RATES) + 1)
        assert "nothing comes" in bench(app).snapshot.findings[-1].message
        assert not rig.link.written
        assert rig.link.settings.baud == 115200


@pytest.mark.parametrize("check", sorted(line_tests.CHECKS))
async def test_d_lets_the_console_do_a_check_it_can_do(check: str, rig: Any, until: Any) -> None:
    from dataclasses import replace

    from console.causes.rank import NextCheck

    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        asked = NextCheck(check, "a check", 1, None, "", None, answers=(("yes", "means"), ("no", "means")))
        bench(app).snapshot = replace(bench(app).snapshot, next_check=asked)
        await pilot.press("d")
        if line_tests.CHECKS[check] == line_tests.RATES:
            await until(pilot, lambda: bench(app).snapshot.findings)
        else:
            await until(pilot, lambda: isinstance(app.screen, AskScreen))


async def test_a_lost_port_that_is_opened_again_keeps_swap_count_and_settings(rig: Any) -> None:
    source = rig.source
    await source.start()
    await source.done("swap-done")
    await source.handshake()
    await source.session.tune(57600, source.session.link.settings.frame)
    first = rig.link
    first.lose()
    await source.handshake()
    shown = source.bridge.fold.snapshot()
    assert rig.link is not first
    assert (shown.attempt, shown.wires_swapped) == (2, True)
    assert rig.link.settings.baud == 57600
    await source.close()


async def test_a_port_that_refuses_to_open_again_forgets_nothing(rig: Any) -> None:
    from console.errors import PortTrouble

    source = rig.source
    await source.start()
    await source.done("swap-done")
    await source.handshake()
    rig.link.lose()
    rig.refuse = PortTrouble("port-missing", "gone", help="plug it in")
    with pytest.raises(PortTrouble):
        await source.ready()
    rig.refuse = None
    await source.handshake()
    shown = source.bridge.fold.snapshot()
    assert (shown.attempt, shown.wires_swapped) == (2, True)
    await source.close()
