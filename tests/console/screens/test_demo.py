"""The guided story on a real simulated board over a real port; paced by the bench, so it takes its seconds."""

from __future__ import annotations

from typing import Any

from console.errors import Outcome
from console.screens.app import WakelineApp
from console.screens.bench_screen import BenchScreen


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
