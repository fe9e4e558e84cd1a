"""A board's plan as the notebook keeps it: its turns as attempts, answers and repairs as deeds, and the fix. Pure.

What the wire showed of a board that stayed silent, and what was done about that, comes from the attempts over the port.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from console.boards.faults import place_words
from console.bringup.fold import BringupState, Repaired
from console.bringup.history import Ran
from console.causes.evidence import Observation
from console.causes.rank import RankedCause
from console.deeds import Deed
from console.errors import Outcome
from console.session.stage import StageResult
from console.snapshot import Attempt, Snapshot
from console.text import clean

_NO_DEEDS: Final = frozenset({"settings"})  # the plan itself goes from the loader's rate to the program's
# a board that stays silent is told by what the wire showed, as in a handshake without a plan
_WAKES: Final = ("sync", "identify")
_SILENT: Final = frozenset({Outcome.NO_ANSWER, Outcome.REFUSED})
MENDED, LOOKED = "mended", "looked"
_LONGEST_MESSAGE: Final = 300
_ROUNDED_S: Final = 0.001  # times of repairs are kept in whole milliseconds


@dataclass(frozen=True, slots=True)
class PlanStory:
    """What of a plan is worth keeping. `ends`: how each turn ended; `fixed`: part, joint and words of what helped, in
    order; without a place where it is one of several."""

    stages: tuple[StageResult, ...]
    attempts: tuple[Attempt, ...]
    deeds: tuple[Deed, ...]
    ends: tuple[tuple[int, Outcome], ...]
    outcome: Outcome
    fixed: tuple[tuple[str, str, str], ...]


def plan_story(state: BringupState, snapshot: Snapshot) -> PlanStory:
    """The plan behind this picture."""
    ran, offset_s = state.history.ran, (state.started_ns - (snapshot.started_ns or state.started_ns)) / 1e9
    return PlanStory(
        stages=tuple(_stage(run, snapshot.stages, offset_s) for run in ran),
        attempts=tuple(_attempt(state, run, snapshot, offset_s) for run in ran if run.outcome is not Outcome.OK),
        deeds=_deeds(state, snapshot, offset_s),
        ends=state.ends(),
        outcome=state.settled(),
        fixed=tuple(_fixed(state, snapshot.deeds, offset_s)),
    )


def failure_of(state: BringupState, snapshot: Snapshot) -> tuple[str, frozenset[str]] | None:
    """Where the plan stands still now and what was seen there; None where it goes on."""
    last = state.history.ran[-1] if state.history.ran else None
    if last is None or not state.history.over or last.outcome is Outcome.STOPPED:
        return None
    offset_s = (state.started_ns - (snapshot.started_ns or state.started_ns)) / 1e9
    seen = _attempt(state, last, snapshot, offset_s).observations
    return clean(last.stage, 40), frozenset(one.id for one in seen)


def _stage(run: Ran, wire: Iterable[StageResult], offset_s: float) -> StageResult:
    """A run of a stage, with the sums of what went over the port in it."""
    inside = _inside(run, wire, offset_s)
    told = run.off if run.off.startswith(run.found) else "; ".join(filter(None, (run.found, run.off)))
    return StageResult(
        name=clean(run.stage, 40),
        attempt=run.turn,
        outcome=run.outcome,
        started_s=round(run.t_s + offset_s, 6),
        elapsed_s=run.elapsed_s,
        wire_s=sum(one.wire_s for one in inside),
        chip_s=sum(one.chip_s for one in inside),
        host_s=sum(one.host_s for one in inside),
        bytes_out=sum(one.bytes_out for one in inside),
        bytes_in=sum(one.bytes_in for one in inside),
        hint=" ".join(run.seen),
        message=clean(told, _LONGEST_MESSAGE),
    )


def _inside(run: Ran, wire: Iterable[StageResult], offset_s: float) -> list[StageResult]:
    begin = run.t_s + offset_s - 1e-6
    return [one for one in wire if begin <= one.started_s <= begin + run.elapsed_s + 2e-6]


def _attempt(state: BringupState, run: Ran, snapshot: Snapshot, offset_s: float) -> Attempt:
    """What a stage that did not pass showed, and whom that made suspect."""
    numbers = {one.attempt for one in _inside(run, snapshot.stages, offset_s)}
    over = (*snapshot.earlier, Attempt(snapshot.attempt, snapshot.observations, snapshot.causes))
    wire = next((one for one in reversed(over) if one.n in numbers and one.observations), None)
    stop = next((one for one in state.history.stops if (one.turn, one.stage) == (run.turn, run.stage)), None)
    suspects = () if stop is None else stop.suspects
    shown = tuple(RankedCause(one.key, one.title, one.probability, one.why) for one in suspects)
    stage = state.stage(run.stage)
    if wire is not None and stage is not None and stage.work in _WAKES and run.outcome in _SILENT:
        return replace(wire, n=run.turn, causes=wire.causes or shown)
    codes = (run.outcome.value, *run.seen)
    return Attempt(run.turn, tuple(Observation(code, code, 1) for code in dict.fromkeys(codes)), shown)


def _deeds(state: BringupState, snapshot: Snapshot, offset_s: float) -> tuple[Deed, ...]:
    stages, turns = {stage.id for stage in state.stages}, state.history.ran
    out = []
    for told in state.history.told:
        looked = told.id not in stages
        if told.reply not in ("found", "skip") or (looked and told.outcome in ("mended", "retry", "other")):
            continue  # what was mended stands among the repairs
        action = "skip" if told.reply == "skip" else LOOKED if looked else "check"
        id, outcome, unit = clean(told.id, 80), clean(told.outcome), clean(told.unit, 80)
        value = told.value if told.value is None or math.isfinite(told.value) else None  # an open circuit is no number
        out.append(Deed(round(told.t_s + offset_s, 6), told.turn, action, id, outcome, value, unit))
    for done in state.repairs:
        at_s = round(done.t_s + offset_s, 6)
        out.append(Deed(at_s, done.turn, MENDED, clean(done.key, 80), clean(done.title)))
    for deed in snapshot.deeds:
        if deed.action not in _NO_DEEDS:
            out.append(replace(deed, attempt=_turn(deed.at_s - offset_s, turns)))
    return tuple(sorted(out, key=lambda deed: deed.at_s))


def _turn(t_s: float, ran: Iterable[Ran]) -> int:
    """The turn after whose beginning something was done."""
    return max((run.turn for run in ran if run.t_s <= t_s), default=1)


def _fixed(state: BringupState, deeds: Iterable[Deed], offset_s: float) -> Iterator[tuple[str, str, str]]:
    """What the next run of a failed stage proved: it passed, and between the two one thing was put right; of several
    nobody knows which it was. Nothing where something else was done to the board in between."""
    other = [deed.at_s - offset_s for deed in deeds if deed.action.endswith("-done") or deed.action == "check"]
    for failed, again in _repeats(state.history.ran):
        ended_s = failed.t_s + failed.elapsed_s
        done = [one for one in state.repairs if ended_s <= one.t_s + _ROUNDED_S and one.t_s <= again.t_s + _ROUNDED_S]
        if again.outcome is not Outcome.OK or not done or any(ended_s <= at_s <= again.t_s for at_s in other):
            continue
        after = f"after {failed.stage} had failed"
        part, joint = place_of(done[0])
        if len(done) > 1:
            yield "", "", clean(f"one of these: {', '.join(one.title for one in done)}; {after}")
        elif part:
            yield part, joint, clean(f"{done[0].title}; {after}")


def _repeats(ran: Sequence[Ran]) -> Iterator[tuple[Ran, Ran]]:
    """Each run of a stage that failed, with the next run of that stage."""
    for at, run in enumerate(ran):
        again = next((one for one in ran[at + 1 :] if one.stage == run.stage), None)
        if again is not None and run.outcome not in (Outcome.OK, Outcome.STOPPED):
            yield run, again


def place_of(done: Repaired) -> tuple[str, str]:
    """Part and joint of a repair, as ``U6`` and ``2``; of a bridge both ends, as ``14 to 15`` or ``14 to R9.1``."""
    part = clean(done.part, 40)
    return part, place_words(part, done.pins)
