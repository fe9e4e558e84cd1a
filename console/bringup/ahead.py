"""What is worth doing before anybody looks: the probe that saves most, asked for, and what it showed. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import Final

from console.boards import cautions
from console.boards.faults import Fault
from console.boards.limits import GOOD
from console.boards.plan import Plan, Stage
from console.boards.splits import VOLTS, Probe, Split, best_split, supply_exercises, supply_probes
from console.boards.stagerun import StageRun
from console.boards.suspects import Case
from console.bringup.asking import NO, YES
from console.causes.rank import NextCheck
from console.operating import Reply

_STAGE_MIN: Final = 0.2  # common practice, no source: minutes until a stage that the console runs has answered
_CARRIES: Final = ((YES, "it carries its voltage"), (NO, "it does not"))
_APART: Final = ((YES, "no short: the reading climbs, or stays well above zero"), (NO, "a short: near zero ohms"))


class Ahead:
    """Tests of one board while its plan stands still. What they showed holds until something is put right."""

    def __init__(self, plan: Plan, faults: Sequence[Fault]) -> None:
        self._plan = plan
        self._faults = faults
        self._shown: dict[str, StageRun] = {}
        self._left_out: set[str] = set()

    def runs(self, cleared: Collection[str]) -> tuple[StageRun, ...]:
        """What the probes showed, as stages that ran. A supply that was looked at as a suspect was measured too."""
        measured = {}
        for fault in self._faults:
            if fault.net and fault.key in cleared and f"{VOLTS} {fault.net}" not in self._shown:
                run = StageRun(f"{VOLTS} {fault.net}", True, supply_exercises(self._plan.board, fault.net))
                measured[run.name] = run
        return (*self._shown.values(), *measured.values())

    def best(self, case: Case, failed: Stage, ready: Collection[Stage]) -> Split | None:
        """The probe worth most now; `ready` are stages that can run at once.

        None with power where the stage that `failed` needs none, or where a short was measured: a board that may be
        short is not switched on to learn more.
        """
        probes = [*supply_probes(case.board, case.runs), *_of_stages(ready)]
        live = failed.power is True and all(run.passed or not run.exercises.apart for run in self._shown.values())
        asked = self._left_out | self._shown.keys()
        open_ = [probe for probe in probes if probe.key not in asked and (live or not probe.live)]
        return best_split(case, open_)

    def ask(self, split: Split) -> NextCheck:
        """The question of a probe on a supply."""
        probe = split.probe
        limits = next((rail.limits for rail in self._plan.rails if rail.net == probe.net), None)
        scale = limits.scale(probe.title) if limits is not None and probe.live else None
        if scale is not None:
            answers = tuple((band.outcome, band.means) for band in scale.bands)
        else:
            answers = _CARRIES if probe.live else _APART
        return NextCheck(
            id=probe.key,
            title=f"before you look: {probe.title}",
            minutes=probe.minutes,
            caution=cautions.said("S01b" if probe.live else "S01"),
            why=split.worth,
            action=None,
            answers=answers,
            risk=1,
            scale=scale,
        )

    def told(self, split: Split, reply: Reply) -> None:
        """What the probe showed; left out, it is not asked for again."""
        if reply.kind == "skip":
            self._left_out.add(split.probe.key)
        else:
            self._shown[split.probe.key] = split.probe.run(reply.outcome in (GOOD, YES))

    def untold(self, key: str) -> None:
        """What was said of the probe `key` is taken back; of another nothing happens."""
        self._left_out.discard(key)
        self._shown.pop(key, None)

    def forget(self) -> None:
        """Something was put right: nothing that was measured before holds any more."""
        self._shown.clear()
        self._left_out.clear()


def _of_stages(ready: Collection[Stage]) -> Iterator[Probe]:
    for stage in ready:
        yield Probe(f"stage {stage.id}", f"run the stage {stage.id}", _STAGE_MIN, stage.exercises)
