"""What is agreed to has been on the screen; the running stage is; what takes the keys has a sign of its own."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from textual.app import App

from console.screens.app import WakelineApp
from console.screens.ask_screen import ChooseScreen
from console.screens.consent_screen import ConsentScreen, paragraphs
from console.screens.job_screen import JobScreen
from console.screens.marked import MARK, Line, MarkedList, Tick
from console.screens.stages_panel import StagesPanel
from console.tasks.on_chip import CAUTIONS, SUPPLY_CAUTION
from tests.console.screens.test_task_screen import AT, Board, Until, folder, told, words

__all__ = ["folder"]  # the fixture: a working folder with a firmware file
Text = Callable[[App[Any]], str]
PLAN = [f"erase: page {number}" for number in range(40)]


async def ask(app: WakelineApp, pilot: Any, said: list[str], wanted: str) -> list[bool | None]:
    """Show the question; the list gets its answer."""
    answers: list[bool | None] = []
    app.push_screen(ConsentScreen(said, "Write this to the board?", wanted), answers.append)
    await pilot.pause()
    await pilot.pause()
    return answers


@pytest.mark.parametrize("wanted", ["yes", "0x410"])
async def test_the_question_and_its_cautions_stand_under_a_plan_that_is_too_long(
    wanted: str, size: tuple[int, int], screen_text: Text
) -> None:
    app = WakelineApp()
    async with app.run_test(size=size) as pilot:
        said = [*PLAN, "", "look: the old version is newer", *CAUTIONS, ""]
        await ask(app, pilot, said, wanted)
        shown = words(screen_text, app)
        for part in ("erase: page 0", "! look: the old version is newer", "▲ caution: do not unplug",
                     "and nothing else before that", "Write this to the board?", "go on Esc no",
                     "there is more of the plan"):  # fmt: skip
            assert part in shown, part
        assert ("Type 0x410 to go on:" in shown) is (wanted == "0x410")
        before = app.screen.query_one("#plan").scroll_offset.y
        app.screen.query_one("#plan").focus()
        await pilot.press("end")
        await pilot.pause()
        assert app.screen.query_one("#plan").scroll_offset.y > before
        shown = words(screen_text, app)
        assert "erase: page 39" in shown
        assert "▲ caution: do not unplug" in shown
        await pilot.press("escape")


async def test_cautions_longer_than_the_window_are_paged_through_before_anything_is_agreed_to(
    screen_text: Text,
) -> None:
    app = WakelineApp()
    async with app.run_test(size=(80, 24)) as pilot:
        cautions = [f"caution: number {number}" for number in range(12)]
        answers = await ask(app, pilot, [*PLAN, *cautions], "yes")
        assert "number 11" not in screen_text(app)
        await pilot.press("y")
        await pilot.pause()
        assert not answers
        assert "there is more to mind above" in screen_text(app)
        assert "number 11" in screen_text(app)
        await pilot.press("y")
        assert answers == [True]


async def test_a_plan_that_is_all_in_sight_has_no_more_of_it(screen_text: Text) -> None:
    app = WakelineApp()
    async with app.run_test(size=(80, 24)) as pilot:
        await ask(app, pilot, [*PLAN[:10], *CAUTIONS], "yes")
        shown = screen_text(app)
        assert "erase: page 9" in shown
        assert "there is more" not in shown


@pytest.mark.parametrize("key", ["y", "enter", "n", "escape"])
async def test_nothing_is_agreed_to_in_a_window_that_cannot_show_it(key: str, until: Until, screen_text: Text) -> None:
    app = WakelineApp()
    async with app.run_test(size=(50, 12)) as pilot:
        answers = await ask(app, pilot, [*PLAN, *CAUTIONS], "yes")
        assert "needs 80 x 24, this is 50 x 12" in screen_text(app)
        await pilot.press(key)
        await pilot.pause()
        assert not answers
        assert isinstance(app.screen, ConsentScreen)
        await pilot.resize_terminal(80, 24)
        await until(pilot, lambda: "Write this to the board?" in screen_text(app))
        await pilot.press("y")
        assert answers == [True]


async def test_a_typed_id_does_not_count_while_the_window_is_too_small(until: Until, screen_text: Text) -> None:
    app = WakelineApp()
    async with app.run_test(size=(80, 24)) as pilot:
        answers = await ask(app, pilot, [*PLAN, *CAUTIONS], "0x410")
        await pilot.press(*"0x410")
        await pilot.resize_terminal(50, 12)
        await until(pilot, lambda: "needs 80 x 24" in screen_text(app))
        await pilot.press("enter")
        await pilot.pause()
        assert not answers
        await pilot.resize_terminal(80, 24)
        await until(pilot, lambda: "Type 0x410" in screen_text(app))
        await pilot.press("enter")
        assert answers == [True]


def test_a_caution_of_several_lines_is_one_paragraph() -> None:
    assert paragraphs(["plan", "", *SUPPLY_CAUTION])[-1].endswith("told more than there is, the loader erases and "
        "writes in a way that the supply cannot carry, and spoils its work")  # fmt: skip
    assert paragraphs(["  alone"]) == ["  alone"]


@pytest.mark.parametrize("size", [(80, 24), (120, 36)])
async def test_the_second_attempt_is_seen_from_its_first_stage_to_its_last(
    size: tuple[int, int], until: Until, screen_text: Text
) -> None:
    board = Board()
    async with board.app.run_test(size=size) as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        await pilot.press("escape")
        await until(pilot, lambda: board.over)
        await pilot.press("escape")
        board.links[-1].hold_at = 5
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        await pilot.press("y")
        await until(pilot, lambda: board.links[-1].held and board.screen.snapshot.running_stage == "write")
        panel = board.app.screen.query_one(StagesPanel)
        await until(pilot, lambda: present(panel) and "… running" in present(panel)[-1])
        assert "stages, attempt 2" in str(panel.border_title)
        assert names(present(panel))[-2:] == ["erase", "write"]
        board.links[-1].release()
        await until(pilot, lambda: board.over)
        await until(pilot, lambda: names(present(panel))[-3:] == ["verify", "seal", "verify"])


def present(panel: StagesPanel) -> list[str]:
    """The lines of the present attempt that are in sight."""
    at = panel.scroll_offset.y
    lines = str(panel._text.content).splitlines()[at : at + panel.scrollable_content_region.height]
    return lines[: next((n for n, row in enumerate(lines) if row.startswith("attempt ")), None)]


def names(rows: list[str]) -> list[str]:
    """Of the stages."""
    return [row.split()[0] for row in rows]


async def test_a_number_moves_the_sign_and_enter_takes_it(until: Until, screen_text: Text) -> None:
    board = Board()
    async with board.app.run_test() as pilot:
        await until(pilot, lambda: board.app.screen.query("#trace") and board.source.session)
        await pilot.press("p")
        await until(pilot, lambda: isinstance(board.app.screen, ChooseScreen))
        await until(pilot, lambda: f"{MARK}1 program" in screen_text(board.app))
        assert "1-6 ↑↓ choose" in screen_text(board.app)
        await pilot.press("9")  # there is none
        assert f"{MARK}1 program" in screen_text(board.app)
        await pilot.press("5")
        await pilot.pause()
        assert f"{MARK}5 erase" in screen_text(board.app)
        assert f"{MARK}1 program" not in screen_text(board.app)
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(board.app.screen, JobScreen))
        assert "erase: pages or everything" in screen_text(board.app)


async def test_the_sign_goes_with_the_keys(until: Until, screen_text: Text) -> None:
    board = Board()
    async with board.app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: board.app.screen.query("#trace") and board.source.session)
        await pilot.press("p", "1", "enter")
        await until(pilot, lambda: isinstance(board.app.screen, JobScreen))
        form = board.app.screen
        await until(pilot, lambda: f"{MARK}tern.bin" in screen_text(board.app))
        for kind in (Line, Line, Line, Tick):
            await pilot.press("tab")
            await pilot.pause()
            assert isinstance(form.focused, kind)
            shown = screen_text(board.app)
            assert shown.count(MARK) == 1, shown
            said = form.focused.label.content if isinstance(form.focused, Line) else form.focused.label
            assert str(said).startswith(MARK)
            assert str(said) in shown
        form.query_one(MarkedList).focus()
        await until(pilot, lambda: f"{MARK}tern.bin" in screen_text(board.app))


async def test_what_is_wrong_in_a_long_form_is_in_sight(folder: Any, until: Until, screen_text: Text) -> None:
    for number in range(9):
        (folder / f"tern-{number}.bin").write_bytes(b"\xff" * 16)
    board = Board()
    async with board.app.run_test(size=(80, 24)) as pilot:
        await board.choose(pilot, until, 2, version_at="nowhere", **AT)
        await pilot.pause()
        assert "✗" in screen_text(board.app)
        assert "Esc back" in screen_text(board.app)
        assert told(board.app)
        assert board.app.screen.focused is board.app.screen.query_one("#version_at")
