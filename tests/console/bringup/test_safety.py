"""What keeps hands and boards whole: power off at once, power as a look needs it, cautions before what lasts.

The cautions themselves are the usual ones of the bench, with their sources in `console/boards/cautions.py`.
"""

from __future__ import annotations

from dataclasses import replace

from console.boards.limits import Limits
from console.boards.plan import Work, faults_of
from console.bringup import asking
from console.bringup.words import suspect_lines
from console.causes.catalogue import catalogue
from console.errors import Outcome
from console.operating import Reply
from tests.console.bringup.staged_board import TERN, bring_up

EVERYWHERE = {fault.key: [Reply("stop")] for fault in faults_of(TERN)}
WORKSHOP = {name: [Reply("stop")] for name in (*catalogue().checks, *catalogue().repairs)}


def found(outcome: str, value: float | None = None, unit: str = "") -> Reply:
    return Reply("found", outcome, value, unit)


def test_a_supply_that_is_too_high_has_the_power_switched_off_before_anything_else() -> None:
    story = bring_up(says={"rail-1v2": [found("high", 2.1, "V")]} | EVERYWHERE)
    asked = story.hands.asked
    after = asked.index("rail-1v2") + 1
    check = story.hands.checks[after]
    assert (check.id, check.title) == (asking.POWER_DOWN, "switch the power off now, and unplug every cable")
    assert check.caution is not None
    assert check.caution.startswith("Switch the power off now: parts on +1V2 may be damaged.")
    assert "0.84 V above" in check.why
    assert asking.POWER_ON not in asked[after:]
    assert not any(id.startswith("volts") for id in asked[after:]), "nothing is measured with the power on"


def test_a_supply_that_is_too_high_accuses_what_can_lift_it_and_no_missing_supply() -> None:
    state = bring_up(says={"rail-1v2": [found("high", 2.1, "V")]} | EVERYWHERE).state
    titles = [one.title for one in state.suspects]
    assert not any("missing or far off" in title for title in titles)
    first = state.suspects[0]
    nets = {pin.net for pin in TERN.board.circuit.pins if pin.ref in first.pins}
    assert first.part == "U3" or nets == {"+1V2", "+3V3"}
    assert any("2.1 V is too high at rail-1v2 fits" in why for why in first.why)
    assert "wrong range of the meter" in next(iter(suspect_lines(state)))


def test_a_supply_that_is_too_low_is_no_such_alarm() -> None:
    story = bring_up(says={"rail-1v2": [found("low", 0.3, "V")]} | EVERYWHERE)
    assert not any("now" in check.title for check in story.hands.checks if check.id == asking.POWER_DOWN)


def test_what_is_looked_at_with_the_power_on_gets_its_power() -> None:
    says = {"rail-3v3": [found("low", 2.9, "V")], "supply +3V3": [Reply("stop")]}
    story = bring_up(says=says)
    live = [n for n, check in enumerate(story.hands.checks) if check.id.startswith(("supply ", "part U2"))]
    assert live
    for n in live:
        switched = [id for id in story.hands.asked[:n] if id in (asking.POWER_ON, asking.POWER_DOWN)]
        assert switched[-1] == asking.POWER_ON
        assert "Power off before any iron." in (story.hands.checks[n].caution or "")
        assert dict(story.hands.checks[n].answers)[asking.MENDED].endswith("with the power off")


def test_what_must_not_be_cut_off_says_so_before_it_runs() -> None:
    story = bring_up()
    for id in ("erase", "write", "verify"):
        running = next(state for state in story.states if state.current == id)
        stage = running.stage(id)
        assert stage is not None
        assert stage.caution.startswith("Do not unplug, reset or move the board while it is written")
    started = next(state.stage("start") for state in story.states if state.current == "start")
    assert started is not None
    assert "drives its pins" in started.caution
    assert story.outcome is Outcome.OK
    assert {stage.work for stage in story.state.stages if stage.caution} == {
        Work.ERASE, Work.WRITE, Work.VERIFY, Work.START
    }  # fmt: skip


def test_a_current_that_jumps_is_switched_off_too_and_ohms_that_are_high_are_not() -> None:
    stage = replace(TERN.stage("rail-3v3"), limits=Limits(0.01, 0.1, "A"), nets=())
    check = asking.switch_off(stage, ("high",), "1 A above the most allowed (100 mA)")
    assert check is not None
    assert check.id == asking.POWER_DOWN
    assert "draws what no good board does" in (check.caution or "")
    assert asking.switch_off(stage, ("low",), "x") is None
    assert asking.switch_off(replace(stage, limits=Limits(0, 1, "ohm")), ("high",), "x") is None
