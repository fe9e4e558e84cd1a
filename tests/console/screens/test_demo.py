"""The guided story on a real simulated board over a real port; paced by the bench, so it takes its seconds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from console.bench.scenes import scene
from console.errors import Outcome
from console.notebook.keeper import Keeper
from console.notebook.store import Notebook
from console.screens.app import WakelineApp
from console.screens.bench_screen import BenchScreen
from console.screens.bringup_screen import BringupScreen
from console.screens.plan_source import scene_source


async def test_the_story_of_tern_07(size: tuple[int, int], until: Any, screen_text: Any) -> None:
    app = WakelineApp(demo=True)

    def shown() -> Any:
        assert isinstance(app.screen, BenchScreen)
        return app.screen.snapshot

    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and shown().port)
        assert "try the handshake" in screen_text(app).replace("\n", " ")
        await pilot.press("enter")
        await until(pilot, lambda: shown().outcome is Outcome.NO_ANSWER)
        await pilot.pause()
        assert shown().causes[0].id == "wires-uncrossed"
        assert "First suspect" in screen_text(app)
        await pilot.press("enter")
        await until(pilot, lambda: shown().outcome is Outcome.OK)
        await pilot.pause()
        assert shown().identity.product_id == 0x410  # AN2606 Rev 70 Table 226
        assert "leave the demo" in screen_text(app).replace("\n", " ")
        await pilot.press("enter")
    assert app.return_value == 0


async def test_a_whole_board_is_played_with_enter_alone(until: Any, screen_text: Any, tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "club.sqlite", board="tern-21")
    source = scene_source(scene("tern-21"), keeper)
    app = WakelineApp(plan=source, keeper=keeper)
    fold = source.bridge.fold

    def over() -> bool:
        return fold.snapshot().outcome is not None

    async with app.run_test(size=(120, 36)) as pilot:
        await until(pilot, lambda: source.keys.check is not None)
        await until(pilot, lambda: "Enter: the simulated bench's hands do it" in screen_text(app))
        for _ in range(60):  # more than its steps
            await until(pilot, lambda: over() or source.keys.check is not None)
            if over():
                break
            await pilot.press("enter")
        await until(pilot, lambda: "the plan is done" in screen_text(app))
        text = " ".join(screen_text(app).split())
        assert "bring-up of Tern B on the simulated board tern-21" in text
        assert "put right after memory had failed: U6.2" in text
        await pilot.press("q")
    assert app.return_value == 0
    assert fold.snapshot().simulated
    assert source.kept is not None
    assert source.kept.session == 1
    with Notebook.open_to_read(keeper.path) as book:
        assert book.session(1).row.fix_place == "U6 joint 2"


async def test_the_list_of_ports_opens_a_whole_board_by_its_plan(until: Any) -> None:
    app = WakelineApp()
    async with app.run_test(size=(80, 24)) as pilot:
        app.open_scene("tern-24")
        await until(pilot, lambda: isinstance(app.screen, BringupScreen))
        await until(pilot, lambda: app.screen.source.keys.check is not None)
        app.leave()
