"""A plan and how it stands, as lines of text; safe to show, in a pipe too."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from console.bringup.fold import BringupState, Repaired, StageState, State, SuspectState
from console.errors import Outcome
from console.text import clean
from console.words import count_of, duration, percent, reason

if TYPE_CHECKING:
    from console.boards.plan import Plan

_FEW = 5
ORDER = "by chance over the minutes to look and be sure, so that a quick look can stand before a likelier one"
_MEASURED = frozenset({"measure", "continuity"})
_SIGNS: Mapping[State, str] = {
    State.WAITING: ".",
    State.RUNNING: ">",
    State.PASSED: "+",
    State.FAILED: "!",
    State.LEFT: "<",
    State.AGAIN: "~",
    State.TRUSTED: "-",
    State.SKIPPED: "o",
}


def next_serial(serial: str) -> str:
    """The number after this one, as wide as it: ``8``, ``tern-08``; "" where it does not end in a number."""
    found = re.fullmatch(r"(.*?)([0-9]{1,12})", serial, re.DOTALL)
    return "" if found is None else f"{found[1]}{int(found[2]) + 1:0{len(found[2])}d}"


def plan_lines(plan: Plan) -> list[str]:
    """What a board file holds."""
    circuit = plan.board.circuit
    counts = f"{count_of(len(circuit.parts), 'part')}, {count_of(len(circuit.nets), 'net')}"
    out = [f"board {clean(plan.name)}, revision {clean(plan.revision)}: {counts} ({clean(plan.file)})"]
    out += [f"wire: adapter {one.adapter} to {clean(one.pin)}, net {clean(one.net)}" for one in plan.wires]
    out += [f"rail {clean(rail.net)}: {rail.limits}, measured at {clean(rail.at)}" for rail in plan.rails]
    for one in plan.images.values():
        out.append(
            f"image {clean(one.role)}: {count_of(one.image.size, 'byte')} for {one.chip.name}, part {clean(one.part)}"
        )
    out.append(f"plan: {count_of(len(plan.stages), 'stage')}")
    width = max(len(stage.id) for stage in plan.stages)
    for number, stage in enumerate(plan.stages, 1):
        hot = ", hot" if stage.hot else ""
        out.append(f"  {number:>2} {stage.id:<{width}}  {stage.work.value:<10}  {clean(stage.title)}{hot}")
    return out


def stage_line(stage: StageState, width: int = 0) -> str:
    """One stage and what it showed."""
    told = stage.off if stage.off.startswith(stage.found) else "; ".join(filter(None, (stage.found, stage.off)))
    told = told or stage.found
    if stage.limits and stage.work in _MEASURED and told and not stage.off:
        told += f" (right: {stage.limits})"
    again = f" (run {stage.runs} times)" if stage.runs > 1 else ""
    return f"{_SIGNS[stage.state]} {stage.id:<{width}}  {stage.state.value:<7}  {told}{again}".rstrip()


def report_lines(state: BringupState) -> list[str]:
    """The end of a plan as text: every stage, what was repaired, what is left to look at."""
    number = f", number {state.serial}" if state.serial else ""
    out = [f"{state.board}, revision {state.revision}{number}: {state.passed_words}"]
    width = max((len(stage.id) for stage in state.stages), default=0)
    out += [stage_line(stage, width) for stage in state.stages]
    out += [f"{repaired_words(done)}, {duration(done.t_s)} after the beginning" for done in state.repairs]
    out += list(suspect_lines(state))
    if state.outcome is Outcome.OK:
        out.append(state.end_words)
    elif state.stopped_at:
        left = state.outcome is Outcome.STOPPED
        out.append(f"the plan was left at {state.stopped_at}" if left else f"the plan stopped at {state.stopped_at}")
    else:
        out.append("the plan is not done: it was left before its end")
    return out


def repaired_words(done: Repaired) -> str:
    """What was put right, and after which failure."""
    return f"put right after {done.stage} had failed: {done.title}" if done.stage else f"{done.title}"


def suspect_words(one: SuspectState) -> str:
    """A suspect by its place, with the part in front where the place does not name it."""
    named = one.title.startswith((f"{one.part}:", f"{one.part}."))
    return one.title if named else f"{one.part}: {one.title}"


def suspect_lines(state: BringupState) -> Iterator[str]:
    """Whom to look at after the plan stopped."""
    left = [one for one in state.suspects if not one.cleared]
    if not left:
        return
    yield from state.notes
    if state.before:
        yield f"before you look: {state.before}"
    yield f"look at, in this order ({ORDER}):"
    for one in left[:_FEW]:
        yield f"  {percent(one.probability):>4}  {suspect_words(one)} (about {max(1, round(one.minutes))} min)"
        yield from (f"        {reason(why)}" for why in one.why)
        yield f"        look: {one.look}"
        if one.caution:
            yield f"        caution: {one.caution}"
    if len(left) > _FEW:
        yield f"  and {len(left) - _FEW} more, each less worth a look"
