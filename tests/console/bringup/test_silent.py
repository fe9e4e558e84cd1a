"""A silent board within a plan: what the plan knows is not asked again, and what was soldered counts again.

Causes and checks are the catalogue's; the chances behind them are reasoned (common practice, no source).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.boards.plan import Wire
from console.bringup import asking
from console.bringup.silent import in_copper
from console.bringup.told import as_object
from console.bringup.words import report_lines
from console.causes.catalogue import catalogue
from console.errors import Outcome
from console.notebook.entry import entry_of
from console.operating import Reply
from tests.console.bringup.staged_board import TERN, Story, bring_up

MOVES_WIRES = {step for step in (*catalogue().checks, *catalogue().repairs) if "wires" in catalogue().step(step).needs}  # type: ignore[union-attr]
# what a meter shows at a board whose RX joint is open; K23 is the joint itself
SHOWS = {"K12": "header-only", "K11": "header-only", "K20": "rx-open", "K15": "boot-level", "K09": "near-rail",
         "K13": "silent", "K01": "right-port", "K14": "high", "K22": "nothing-found", "K10": "as-at-pin",
         "K19": "no-short", "K21": "no-change", "K29": "named", "K18": "nothing", "K26": "running"}  # fmt: skip


@pytest.fixture(scope="module")
def story() -> Story:
    says = {check: [Reply("found", outcome)] * 3 for check, outcome in SHOWS.items() if check != "K13"}
    return bring_up("board-rx-open", says=says)


def test_lines_that_are_copper_are_not_swapped(story: Story) -> None:
    assert in_copper(TERN)
    assert "K05" in MOVES_WIRES
    assert not MOVES_WIRES & set(story.hands.asked)


def test_wires_that_arrive_at_a_connector_or_at_the_chip_can_be_moved() -> None:
    for pin in ("J2.1", "U4.31"):
        assert not in_copper(replace(TERN, wires=(Wire("TX", pin, "X"),)))
    assert not in_copper(replace(TERN, wires=()))


def test_a_supply_that_was_measured_is_not_suspected_any_more(story: Story) -> None:
    chances = [
        {cause.id: cause.probability for cause in attempt.causes}
        for attempt in story.snapshot.earlier
        if attempt.causes
    ]
    assert chances
    assert all(one.get("target-unpowered", 0.0) < 0.05 for one in chances)


def test_the_board_is_dead_before_the_iron_and_checked_again_before_its_power_comes_back(story: Story) -> None:
    asked = story.hands.asked
    hot = asked.index("K23")
    switched = [id for id in asked[:hot] if id in (asking.POWER_ON, asking.POWER_DOWN)]
    assert switched[-1] == asking.POWER_DOWN
    assert asked[hot + 1 : hot + 5] == ["look-chips", "no-short-3v3", "no-short-1v2", asking.POWER_ON]


def test_what_was_soldered_is_a_repair_of_the_plan_and_of_the_notebook(story: Story) -> None:
    assert story.outcome is Outcome.OK
    (done,) = story.state.repairs
    assert (done.key, done.stage) == ("K23", "sync")
    assert done.title == "reflow the one suspected joint with flux: open joint in the board's RX path"
    assert any("put right after sync had failed: reflow" in row for row in report_lines(story.state))
    assert [one["key"] for one in as_object(story.state)["repairs"]] == ["K23"]
    entry = entry_of(story.snapshot, tool_version="1", board="tern-7")
    assert entry is not None
    assert [(fix.cause, fix.note) for fix in entry.fixes] == [("board-rx-open", f"{done.title}; after sync had failed")]


def test_a_note_at_a_dead_board_does_not_switch_it_on() -> None:
    says = {check: [Reply("found", outcome)] * 3 for check, outcome in SHOWS.items() if check != "K13"}
    says["K20"] = [Reply("note", text="the lid was wet"), Reply("found", "rx-open")]
    asked = bring_up("board-rx-open", says=says).hands.asked
    at = asked.index("K20")
    assert asked[at - 1 : at + 3] == [asking.POWER_DOWN, "K20", "K20", asking.POWER_ON]
