"""The bring-up on the screens: by keys alone, from the first look to suspects, repair and the end."""

from __future__ import annotations

import re
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from console.bench.client import SimulatedBench
from console.boards.board_file import load_board
from console.bringup.fold import State
from console.commands.board_hands import BoardBenchHands
from console.operating import Reply
from console.screens.app import WakelineApp
from console.screens.ask_screen import AskScreen, FoundScreen, WordsScreen
from console.screens.bringup_screen import BringupScreen
from console.screens.plan_source import PlanSource

TERN = load_board("tern-b")


class Rig:
    """An app on a plan whose port is never reached: the first stages need none."""

    def __init__(self, size: tuple[int, int], until: Any, **more: Any) -> None:
        self.source = PlanSource(TERN, "/dev/no-such-port", serial="23", **more)
        self.app = WakelineApp(plan=self.source)
        self.size = size
        self._until = until

    async def asked(self, pilot: Pilot[int], id: str) -> None:
        await self._until(pilot, lambda: self.source.keys.check is not None and self.source.keys.check.id == id)
        await self._until(pilot, lambda: isinstance(self.app.screen, BringupScreen))

    async def answer(self, pilot: Pilot[int], id: str, *keys: str) -> None:
        """Enter at the step, then the keys in the question that comes up."""
        await self.asked(pilot, id)
        await pilot.press("enter")
        await self._until(pilot, lambda: isinstance(self.app.screen, AskScreen | FoundScreen))
        await pilot.press(*keys)

    async def to_the_first_reading(self, pilot: Pilot[int]) -> None:
        await self.answer(pilot, "power-on", "enter")
        await self.asked(pilot, "rail-3v3")

    def state(self, id: str) -> Any:
        plan = self.source.bridge.fold.snapshot().bringup
        assert plan is not None
        found = plan.stage(id)
        assert found is not None
        return found


@pytest.fixture
def rig(size: tuple[int, int], until: Any) -> Rig:
    return Rig(size, until)


async def test_the_first_step_with_its_caution_and_the_plan_beside_it(rig: Rig, screen_text: Any, until: Any) -> None:
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.asked(pilot, "look-supply")
        await until(pilot, lambda: "do:" in screen_text(rig.app))
        text = " ".join(screen_text(rig.app).split())
        for words in ("bring-up of Tern B", "number 23", "caution: Touch ground", "every joint wetted", "▶ look-supply",
                      "· look-chips", "0 of 22 stages passed", "Enter done"):  # fmt: skip
            assert words in text, words


async def test_a_reading_out_of_limits_leads_to_suspects_with_reasons_and_the_net(
    size: tuple[int, int], screen_text: Any, until: Any
) -> None:
    rig = Rig(size, until, start_at="rail-3v3")
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.to_the_first_reading(pilot)
        await until(pilot, lambda: "slipped probe" in screen_text(rig.app))
        await rig.answer(pilot, "rail-3v3", *"2.9", "enter")
        await until(pilot, lambda: "suspects: rail-3v3 failed" in screen_text(rig.app))
        assert rig.state("rail-3v3").off == "0.235 V below the least allowed (3.135 V)"
        assert rig.state("rail-3v3").state is State.FAILED
        text = " ".join(screen_text(rig.app).split())
        assert "✗ rail-3v3" in text
        assert "because rail-3v3 failed" in text
        suspects = rig.app.screen.query_one("#suspects")
        suspects.focus()
        plan = rig.source.bridge.fold.snapshot().bringup
        assert plan is not None
        first, second = plan.suspects[:2]
        assert first.title in text
        suspects.scroll_to(y=6, animate=False)
        await until(pilot, lambda: f"pin {first.pins[0]}:" in screen_text(rig.app))
        await pilot.press("s", "home")
        await until(pilot, lambda: second.title in screen_text(rig.app))


async def test_a_repair_brings_the_plan_back(until: Any, screen_text: Any) -> None:
    rig = Rig((120, 36), until, start_at="rail-3v3")
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.to_the_first_reading(pilot)
        await rig.answer(pilot, "rail-3v3", *"2.9", "enter")
        await rig.answer(pilot, "power-off", "enter")
        await rig.asked(pilot, "ohms +3V3 GND")  # nobody measured yet that there is no short: worth more than looking
        assert "before you look: measure ohms between +3V3 and GND" in " ".join(screen_text(rig.app).split())
        await rig.answer(pilot, "ohms +3V3 GND", "1", "enter")
        await rig.answer(pilot, "power-on", "enter")
        await rig.answer(pilot, "volts VBUS", "1", "enter")
        await rig.answer(pilot, "supply +3V3", "1", "enter")
        await rig.asked(pilot, "look-supply")
        plan = rig.source.bridge.fold.snapshot().bringup
        assert plan is not None
        assert len(plan.repairs) == 1
        assert plan.repairs[0].stage == "rail-3v3"


async def test_what_is_no_reading_is_told_and_asked_again(until: Any, screen_text: Any) -> None:
    rig = Rig((80, 24), until, start_at="rail-3v3")
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.to_the_first_reading(pilot)
        await rig.answer(pilot, "rail-3v3", *"warm", "enter")
        await until(pilot, lambda: "is no number" in screen_text(rig.app))
        rig.app.screen.query_one(Input).value = "240"
        await pilot.press("enter")
        await until(pilot, lambda: "outside of what can be there" in screen_text(rig.app))
        assert rig.state("rail-3v3").state is State.RUNNING


async def test_undo_skip_note_and_stop(until: Any, screen_text: Any) -> None:
    rig = Rig((80, 24), until)
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.answer(pilot, "look-supply", "1", "enter")
        await rig.asked(pilot, "look-chips")
        await pilot.press("u")
        await rig.asked(pilot, "look-supply")
        assert rig.state("look-supply").runs == 1
        await pilot.press("k")
        await rig.asked(pilot, "look-chips")
        assert rig.state("look-supply").found == "left out by the operator"
        await pilot.press("m")
        await until(pilot, lambda: rig.app.screen.query(Input))
        await pilot.press(*"wet", "enter")
        await rig.asked(pilot, "look-chips")
        await pilot.press("x")
        await until(pilot, lambda: isinstance(rig.app.screen, AskScreen))
        await pilot.press("enter")
        await until(pilot, lambda: not rig.source.busy)
        await until(pilot, lambda: "the plan was left at look-chips" in screen_text(rig.app))
        await pilot.press("q")
    assert rig.app.return_value == 8


async def test_leaving_in_the_middle_asks_and_closes_everything(until: Any) -> None:
    rig = Rig((80, 24), until)
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.asked(pilot, "look-supply")
        await pilot.press("q")
        await until(pilot, lambda: isinstance(rig.app.screen, AskScreen))
        await pilot.press("enter")
    assert rig.app.return_value == 8
    assert not rig.source.busy


async def test_a_whole_board_on_the_bench_with_a_fault_on_the_screens(until: Any, screen_text: Any) -> None:
    # a second or two: a real port at the real rate, which is the point
    async with SimulatedBench() as bench:
        await bench.start(fault="open-pin:pin=U5.17")
        await bench.act("power-off")
        hands = BoardBenchHands(bench, TERN, lambda words: None)
        source = PlanSource(TERN, bench.port, start_at="rail-3v3", hands=hands)
        app = WakelineApp(plan=source)
        async with app.run_test(size=(120, 36)) as pilot:
            await until(pilot, lambda: source.bridge.fold.snapshot().outcome is not None)
            await until(pilot, lambda: "the plan is done" in screen_text(app))
            text = " ".join(screen_text(app).split())
            assert "21 of 22 stages passed, 1 taken as passed" in text
            assert "put right after fpga had failed: U5.17" in text
            assert "✓ fpga passed id 7E 12 0B 31" in text
            await pilot.press("q")
        assert app.return_value == 0


async def test_hostile_words_of_a_board_are_no_markup(until: Any, screen_text: Any) -> None:
    rig = Rig((120, 36), until)
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.asked(pilot, "look-supply")
        rig.source.session.operator("remark", text="[red]tern[/red] [/AA]")
        rig.source.keys.say(Reply("note", text="[@click=app.quit]x[/]"))
        await rig.asked(pilot, "look-supply")
        assert rig.app.is_running


def told(app: WakelineApp, words: str) -> bool:
    return any(words in one.message for one in app._notifications)


async def test_undo_on_the_screen_drops_the_suspects(size: tuple[int, int], screen_text: Any, until: Any) -> None:
    rig = Rig(size, until, start_at="rail-3v3")
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.to_the_first_reading(pilot)
        await pilot.press("u")
        await until(pilot, lambda: told(rig.app, "there is no answer to take back"))
        await rig.answer(pilot, "rail-3v3", *"2.9", "enter")
        await until(pilot, lambda: "suspects: rail-3v3 failed" in screen_text(rig.app))
        await rig.asked(pilot, "power-off")
        await pilot.press("u")
        await rig.asked(pilot, "rail-3v3")
        await until(pilot, lambda: "nobody is under suspicion" in screen_text(rig.app))
        assert "solder bridge" not in screen_text(rig.app)


async def test_what_is_cut_off_can_be_read_with_keys_alone(size: tuple[int, int], screen_text: Any, until: Any) -> None:
    rig = Rig(size, until, start_at="rail-3v3")
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.to_the_first_reading(pilot)
        await rig.answer(pilot, "rail-3v3", *"2.9", "enter")
        await until(pilot, lambda: "suspects: rail-3v3 failed" in screen_text(rig.app))
        assert re.search(r"suspects: rail-3v3 failed, \d+ more lines: Tab, z", screen_text(rig.app))
        plan = rig.source.bridge.fold.snapshot().bringup
        assert plan is not None
        last = plan.suspects[-1]
        await pilot.press("tab")
        await until(pilot, lambda: rig.app.focused is not None and rig.app.focused.id == "suspects")
        await pilot.press("z", "end")
        await until(pilot, lambda: all(word in screen_text(rig.app) for word in last.why[0].split()))
        assert last.title in screen_text(rig.app)
        assert not rig.app.screen.query_one("#plan").display
        await pilot.press("escape")
        await until(pilot, lambda: rig.app.screen.query_one("#plan").display)
        await pilot.press("shift+tab", "shift+tab", "z")  # the plan: the failed stage in full
        await until(pilot, lambda: "0.235 V below the least allowed (3.135 V)" in screen_text(rig.app))


async def test_something_else_at_a_suspect_is_told_in_words(until: Any) -> None:
    rig = Rig((80, 24), until, start_at="rail-3v3")
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.to_the_first_reading(pilot)
        await rig.answer(pilot, "rail-3v3", *"2.9", "enter")
        await rig.answer(pilot, "power-off", "enter")
        await rig.answer(pilot, "ohms +3V3 GND", "1", "enter")
        await rig.answer(pilot, "power-on", "enter")
        await rig.answer(pilot, "volts VBUS", "1", "enter")
        await rig.answer(pilot, "supply +3V3", "4", "enter")
        await until(pilot, lambda: isinstance(rig.app.screen, WordsScreen))
        await pilot.press(*"U2.1", "space", *"dry", "enter")
        await rig.asked(pilot, "look-supply")
        plan = rig.source.bridge.fold.snapshot().bringup
        assert plan is not None
        assert [done.key for done in plan.repairs] == ["open joint U2.1"]


async def test_the_next_board_begins_with_the_number_after_this_one(until: Any, screen_text: Any) -> None:
    made: list[str] = []

    def another(serial: str) -> PlanSource:
        made.append(serial)
        return PlanSource(TERN, "/dev/no-such-port", serial=serial, another=another)

    rig = Rig((80, 24), until, another=another)
    async with rig.app.run_test(size=rig.size) as pilot:
        await rig.asked(pilot, "look-supply")
        await pilot.press("n")
        await until(pilot, lambda: told(rig.app, "this plan is not over yet"))
        await pilot.press("x")
        await until(pilot, lambda: isinstance(rig.app.screen, AskScreen))
        await pilot.press("enter")
        await until(pilot, lambda: "n next board" in " ".join(screen_text(rig.app).split()))
        await pilot.press("n")
        await until(pilot, lambda: isinstance(rig.app.screen, WordsScreen))
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(rig.app.screen, AskScreen))
        assert "this session is not recorded" in screen_text(rig.app)
        await pilot.press("enter")
        await until(pilot, lambda: "number 24" in screen_text(rig.app))
        await until(pilot, lambda: "▶ look-supply" in " ".join(screen_text(rig.app).split()))
    assert made == ["24"]
