"""Every scene from its first symptom to a board that answers, by doing what the tool proposes.

The operator's findings come from the bench's model of the circuit, the proposals from diagnosis, and neither knows the
other. Steps beyond the cap, or an end without an answer, would be a story that a person could not finish.
"""

from __future__ import annotations

import json

import pytest

from console.bench.client import SimulatedBench
from console.bench.scenes import GOOD, faults, scenes, setup_for
from console.causes.catalogue import catalogue
from console.causes.rank import NextCheck
from console.cli import run
from console.commands.attempt import opened
from console.commands.hands import BenchHands
from console.errors import Outcome
from console.link.base import LinkSettings
from console.operating import Reply, walk
from console.snapshot import Fold, Snapshot
from tests.staged import follow

# the step that mends each scene (from what is wrong with it), and which causes may stand first at the beginning
MENDED_BY: dict[str, tuple[set[str], set[str]]] = {
    "tern-07": ({"K05"}, {"wires-uncrossed"}),
    # silence fits a dozen causes alike: the commonest stands first
    "tern-03": ({"K23", "R22"}, {"wires-uncrossed"}),
    "tern-04": ({"R02"}, {"wires-uncrossed", "no-common-ground"}),
    "tern-11": ({"K16", "R20"}, {"wires-uncrossed"}),
    "tern-18": ({"R17"}, {"wires-uncrossed"}),
    "tern-06": ({"K23", "R22"}, {"wires-uncrossed", "intermittent-joint"}),
    "tern-09": ({"R03"}, {"target-unpowered"}),
    # text at another rate is what a strap at the run level shows too
    "tern-15": ({"K16", "R20"}, {"boot-strap-wrong", "application-running"}),
    "tern-16": ({"R15"}, {"tx-rx-shorted"}),
    # a clamp of a dead rail and a short hold the line low alike
    "tern-19": ({"R13"}, {"target-unpowered", "board-tx-held-low"}),
}
# what a diagnosis by following the tool may call it too, and why
ALIKE = {
    "bridge-clock-dead": {"adapter-dead"},  # another adapter mends both
    "application-running": {"boot-strap-wrong"},  # the strap is why it runs
    "intermittent-joint": {"board-tx-open", "board-rx-open"},  # the same joint
}
# replacing the chip (half an hour, hot) costs more than it promises where the clock explains the same: the tool stops
NOT_FOLLOWED = {"target-dead"}
AT_ONCE = {GOOD: set(), "tern-02": {"readout-protected"}}


def test_every_scene_has_a_story_here() -> None:
    assert {scene.name for scene in scenes() if not scene.board} == {*MENDED_BY, *AT_ONCE}
    assert all(scene.story for scene in scenes())


@pytest.mark.parametrize("name", MENDED_BY)
def test_following_the_tool_mends_the_scene(name: str) -> None:
    mended_by, may_stand_first = MENDED_BY[name]
    story = follow(setup_for(name))
    assert story.first[0] in may_stand_first
    assert story.outcome is Outcome.OK, story.steps
    assert story.steps[-1] in mended_by, story.steps


@pytest.mark.parametrize("name", AT_ONCE)
def test_scenes_that_answer_at_once(name: str) -> None:
    story = follow(setup_for(name))
    assert (story.outcome, story.steps) == (Outcome.OK, ())
    assert set(story.first) == AT_ONCE[name]


FAULTS = sorted({fault.id for fault in faults()} & set(catalogue().causes) - NOT_FOLLOWED)


@pytest.mark.parametrize("fault", FAULTS)
def test_every_cause_is_found_and_mended_by_following_the_tool(fault: str) -> None:
    story = follow(setup_for(GOOD, (fault,)))
    assert story.outcome is Outcome.OK, story.steps
    assert {fault, *ALIKE.get(fault, ())} & set(story.last[:1]), (story.last, story.steps)
    assert max(story.steps.count(step) for step in story.steps or ("",)) <= 4  # there and back, twice


async def test_the_same_through_the_control_connection_and_a_real_port() -> None:
    done: list[str] = []

    class Seen(BenchHands):
        async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
            done.append(check.id)
            return await super().reply(check, snapshot)

    async with SimulatedBench() as bench:
        await bench.start(scene="tern-09")
        fold = Fold()
        async with opened(LinkSettings(port=bench.port), fold=fold) as session:
            hands = Seen(bench.act, lambda words: None)
            assert await walk(session, fold, hands, lambda snapshot, attempted: None, listen_s=0.05) is Outcome.OK
    assert done[-1] == "R03"
    assert "K08" in done
    deeds = [deed for deed in fold.snapshot().deeds if deed.check == "K08"]
    assert (deeds[-1].outcome, deeds[-1].unit) == ("out-of-range", "V")
    assert deeds[-1].value is not None
    assert deeds[-1].value < 0.4  # no supply: 0 V on the rail (fact of the trade)


# where the plan of each whole-board story stops at first, and the places one of which has to be mended: what is staged
BOARDS = {"tern-21": ("memory", {"U6.2"}), "tern-24": ("memory", {"U5.14", "U5.15"})}


def test_every_whole_board_has_its_story_here() -> None:
    assert {scene.name for scene in scenes() if scene.board} == set(BOARDS)


@pytest.mark.parametrize("name", BOARDS)
def test_a_whole_board_from_the_first_look_to_its_box(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Over the real bench: its process, its port, its pace."""
    assert run(["demo", "--scene", name, "--headless", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)["bringup"]
    assert (plan["outcome"], plan["serial"]) == ("ok", name)
    assert {stage["state"] for stage in plan["stages"]} == {"passed"}
    (done,) = plan["repairs"]
    stopped_at, places = BOARDS[name]
    assert done["stage"] == stopped_at
    assert places & set(done["key"].split())


def test_a_whole_board_as_text_begins_with_its_story(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", "--scene", "tern-21", "--headless"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Tern 21 ")
    assert "put right after memory had failed" in out
    assert out.rstrip().endswith("the plan is done: every stage passed")
    assert "\x1b" not in out
