"""What the operator is asked, as steps that every kind of hands understands: stages by hand, power, suspects. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from console.boards import cautions
from console.boards.limits import GOOD
from console.boards.plan import Plan, Repair, Stage, Work
from console.boards.suspects import Group, Suspect
from console.causes.rank import NextCheck
from console.operating import OTHER
from console.text import clean

MENDED, FINE, RETRY, BAD, YES, NO = "mended", "fine", "retry", "bad", "yes", "no"
POWER_ON, POWER_DOWN, INTO_LOADER = "power-on", "power-off", "into-loader"
PROGRAM_MISSING, WRITE, THERE = "program-missing", "write", "there"
# common practice, no source: minutes that looking at one stage's parts, a reading, a switch take
_MINUTES: Final = {Work.INSPECT: 2.0, Work.MEASURE: 1.0, Work.CONTINUITY: 1.0, Work.CONFIRM: 0.5}
_EASY: Final = ("testpoint", "connector", "capacitor")
_FEW_PLACES: Final = 3
_EYES: Final = (
    (GOOD, "all as it should be"),
    (MENDED, "something was wrong there, and it is put right now"),
    (BAD, "something is wrong there, and it stays so for now"),
)
_SEEN: Final = ((YES, "it is so"), (NO, "it is not"))
_SUSPECT: Final = (
    (MENDED, "found it wrong, and it is put right now"),
    (FINE, "looked at it, nothing wrong there"),
    (RETRY, "changed nothing: only try the stage again"),
    (OTHER, "something else was wrong there, and it is put right: say what and where (solder between U6.1 and U6.2)"),
)


def by_hand(plan: Plan, stage: Stage) -> NextCheck:
    """The question of a stage that the operator does."""
    scale, why = stage.limits.scale(stage.title) if stage.limits is not None else None, stage.title
    if stage.limits is not None:
        source = f" ({stage.limits.source})" if stage.limits.source else ""
        why = "; ".join((f"{stage.title}: right is {stage.limits}{source}", *_probes(plan, stage)))
    if scale is not None:
        answers = tuple((band.outcome, band.means) for band in scale.bands)
    else:
        answers = _EYES if stage.work is Work.INSPECT else _SEEN
    return NextCheck(
        id=stage.id,
        title=stage.look,
        minutes=_MINUTES[stage.work],
        caution=cautions.for_stage(stage, has_cell=plan.has_cell) or None,
        why=why,
        action=None,
        answers=answers,
        risk=3 if stage.hot else 1,
        scale=scale,
    )


def _probes(plan: Plan, stage: Stage) -> Iterator[str]:
    """Where the nets of a continuity check are reached: the rail's own place, test points, then parts easy to probe."""
    for net in stage.between or ():
        pins = plan.board.circuit.nets.get(net, ())  # none where a pin is named instead
        easy = [pin.ref for role in _EASY for pin in pins if plan.board.part(pin.part).role == role]
        places = dict.fromkeys((*(rail.at for rail in plan.rails if rail.net == net), *easy))
        if places:
            yield f"{clean(net)} is at {', '.join(map(clean, list(places)[:_FEW_PLACES]))}"


def power(on: bool, first: bool) -> NextCheck:
    """Switch the board's supply."""
    if on:
        caution = cautions.said("S18" if first else "S05")
        return _change(POWER_ON, "connect the board and switch its power on", "what comes next needs power", caution)
    return _change(POWER_DOWN, "switch the power off and unplug every cable", "what comes next needs a dead board",
                   cautions.said("S01"))  # fmt: skip


def into_loader(plan: Plan) -> NextCheck:
    """Start the boot loader by hand; the wires are named, because this is where they must be right."""
    wires = ", ".join(f"adapter {wire.adapter} to {wire.pin}" for wire in plan.wires)
    why = "the chip starts its boot loader then" + (f"; wires: {wires}" if wires else "")
    return _change(
        INTO_LOADER, "set the boot strap to the boot level and press reset", why,
        cautions.said("S05"),
    )  # fmt: skip


def _change(id: str, title: str, why: str, caution: str) -> NextCheck:
    return NextCheck(id, title, 0.2, caution, why, f"{id}-done")


def try_again(stage: Stage, help: str) -> NextCheck:
    """Nothing on the board is suspected: do what helps, then the stage once more."""
    return NextCheck(
        f"{stage.id}-again", help, 1.0, None, f"{stage.title}: nothing on the board is suspected", None,
        answers=((RETRY, "try the stage again"),),
    )  # fmt: skip


def seen_in(stage: Stage) -> Repair:
    """What was put right while a stage's parts were looked at: nobody says more than which parts these are."""
    parts = ", ".join(map(clean, sorted(stage.exercises.parts)))
    return Repair(f"seen in {stage.id}", f"put right while looking at {parts}", stage.exercises.parts, frozenset())


def program_missing(stage: Stage, off: str, taken: Sequence[str]) -> NextCheck:
    """The board's own program does not show, and nobody has written it since the plan began."""
    names = " and ".join(filter(None, (", ".join(taken[:-1]), taken[-1])))
    return NextCheck(
        PROGRAM_MISSING, "the board's program may be missing in the chip: write it now?", 1.0, None,
        f"{stage.id}: {off}; {names} taken as passed, not proven in this run", None,
        answers=(
            (WRITE, f"do {names} now, then {stage.id} again: what the chip holds is erased"),
            (THERE, "it is in the chip: look for a fault on the board"),
        ),
    )  # fmt: skip


def at_suspect(plan: Plan, group: Group, item: Suspect) -> NextCheck:
    """Look at one suspect."""
    return NextCheck(
        id=item.key,
        title=f"{item.title}: {item.how_to_look}",
        minutes=item.minutes,
        caution=cautions.for_repair(item.caution, has_cell=plan.has_cell),
        why="; ".join(item.why or group.why),
        action=None,
        answers=_SUSPECT,
        risk=3,
    )
