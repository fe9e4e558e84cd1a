"""How a run of a plan stands: what passed and what of it lasts, what was told, looked at and put right. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from console.boards.faults import Fault, Kind
from console.boards.past import Past
from console.boards.plan import CONTENT, PASSING, Plan, Repair, Stage, Work, again_after, faults_of
from console.boards.stagerun import StageRun
from console.bringup.ahead import Ahead
from console.bringup.over_port import Result
from console.errors import Outcome


@dataclass(frozen=True, slots=True)
class Said:
    """An answer that can be taken back: to question `id`, which is a stage's, or a suspect's that was looked at, left
    out, or put right; `repair` is the key of what was put right."""

    id: str
    about: Literal["stage", "looked", "left", "mended", "probe"]
    repair: str = ""


class Standing:
    """One board's plan at this moment.

    `passed` by stage; `live` are those whose effect on the chip lasts; `seen` were judged by eye or ohms; `unproven`
    are taken as passed without being run. `runs` is what each stage shows now, `ahead` what was tested beside them.
    `told` are the answers in order, `cleared` and `left_out` suspects by key.
    """

    def __init__(self, plan: Plan, past: Past | None = None) -> None:
        self.plan = plan
        self.faults = faults_of(plan, past)
        self.ahead = Ahead(plan, self.faults)
        self.passed: set[str] = set()
        self.live: set[str] = set()
        self.unproven: set[str] = set()
        self.runs: dict[str, StageRun] = {}
        self.told: list[Said] = []
        self.cleared: list[str] = []
        self.left_out: set[str] = set()

    def trust(self, stage: Stage) -> None:
        """It is taken as passed."""
        self.passed.add(stage.id)
        self.unproven.add(stage.id)

    def ended(self, stage: Stage, result: Result) -> bool:
        """A stage ran; whether the plan goes on after it."""
        self.unproven.discard(stage.id)
        good = result.outcome is Outcome.OK
        if result.skipped or (good and _clears_nobody(stage)):
            self.runs.pop(stage.id, None)
        else:
            self.runs[stage.id] = StageRun(stage.id, good, stage.exercises, result.evidence)
        if not good:
            self.passed.discard(stage.id)
            return False
        self.passed.add(stage.id)
        if stage.work in (Work.START, Work.SYNC):  # either ends what the chip did before
            self.live = {stage.id}
        elif stage.work in PASSING:
            self.live.add(stage.id)
        return True

    def not_proven_content(self) -> list[str]:
        """The stages about what the chip holds that nobody saw pass in this run."""
        return [one.id for one in self.plan.stages if one.work in CONTENT and one.id in self.unproven]

    def do_again(self, stages: list[str]) -> None:
        """These were taken as passed, and are done after all."""
        self.passed.difference_update(stages)
        self.unproven.difference_update(stages)

    def ready(self) -> list[Stage]:
        """Stages that have not run and could at once: nothing that failed stands before them."""
        left = [one for one in self.plan.stages if one.id not in self.passed and one.id not in self.runs]
        return [one for one in left if self.plan.way_to(one.id, self.passed, self.live) == [one]]

    def not_mute(self, stage: Stage) -> tuple[Fault, ...]:
        """What can be wrong although the board talks at this stage: the chip that talks, and all on its way to us, has
        its supplies."""
        board = self.plan.board
        speaking = {image.part for image in self.plan.images.values()}
        speaking |= {wire.pin.rpartition(".")[0] for wire in self.plan.wires}
        others = stage.exercises.parts - speaking
        theirs = {pin.net for ref in others for pin in board.circuit.parts[ref]}

        def silences(fault: Fault) -> bool:
            if fault.kind is Kind.RAIL:
                return fault.net not in theirs
            supply = bool(fault.pins) and all(board.is_rail(pin.net) for pin in fault.pins)
            return supply and fault.part not in others

        return tuple(fault for fault in self.faults if not silences(fault))

    def mended(self, repair: Repair, during: str = "") -> tuple[str, ...]:
        """A suspect was put right: the stages that count again."""
        again = self.touched(repair, during)
        self.cleared.append(repair.key)
        return again

    def touched(self, repair: Repair, during: str = "") -> tuple[str, ...]:
        """Something was worked on: the stages that count again. What was cleared before may be worse now."""
        again = tuple(id for id in again_after(self.plan, repair) if id != during and id in self.passed)
        self.passed.difference_update(again)
        for id in again:
            self.runs.pop(id, None)
        self.ahead.forget()
        return again

    def take_back(self) -> tuple[Said, str]:
        """Forget the latest thing that was told; what it was, and the stage by hand that it was told of or ""."""
        last = self.told.pop()
        stage = last.id if last.about == "stage" else ""
        self.passed.discard(stage)
        self.runs.pop(stage, None)
        self.left_out.discard(last.id)
        self.ahead.untold(last.id)
        for key in (last.id, last.repair):
            if key in self.cleared:
                self.cleared.remove(key)
        return last, stage


def _clears_nobody(stage: Stage) -> bool:
    """A glance and silence are the same with joints that do not hold; so are ohms, but for the nets they show apart."""
    silence = stage.work is Work.LISTEN and not stage.hears
    return silence or (stage.work in (Work.INSPECT, Work.CONTINUITY) and not stage.exercises.unpowered)
