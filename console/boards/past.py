"""How often each place of a design was bad on the bench's own boards, and what that does to the chances. Pure.

Parts have names only within a design, so nothing of this is pooled over designs. Two levels lean on each other: each
kind of fault on its table, over all revisions of the design; each place on its kind, over the boards of this revision.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from console.boards.defects import Defects
from console.boards.faults import Fault, Kind, place_words
from console.causes.learning import learned_chance
from console.words import count_of

_WHOLE = frozenset({Kind.PART, Kind.CLOCK, Kind.RAIL})


@dataclass(frozen=True, slots=True)
class Mended:
    """A confirmed fix: the part and the joint as `place_words` says it, "" for none. `sure`: the plan itself says so,
    so that no joint means the whole part; a person may have left the joint out."""

    part: str
    joint: str
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Past:
    """Boards of this design and revision that were tried, with what was mended on them; `all_*`: of any revision."""

    boards: int = 0
    here: tuple[Mended, ...] = ()
    all_boards: int = 0
    all_mended: tuple[Mended, ...] = ()


def learned(faults: Sequence[Fault], past: Past, table: Defects) -> tuple[Fault, ...]:
    """The faults with chances that lean on the bench's own boards; as they are where none was tried."""
    if not past.all_boards:
        return tuple(faults)
    kinds = table.learned(_by_kind(faults, past))
    hits = _hits(faults, past.here)
    direct = {(one.part, one.joint) for one in past.here}
    out = []
    for number, fault in enumerate(faults):
        start, found = kinds.kinds[fault.defect.id].rate, hits.get(number, 0.0)
        rate = learned_chance(start, found, max(found, past.boards), table.place_worth) if past.boards else start
        known = (fault.part, _joint(fault)) in direct and found >= 1
        words = f"put right on {found:.0f} of {count_of(past.boards, 'board')} of this design" if known else ""
        out.append(replace(fault, defect=replace(fault.defect, rate=rate), past=words))
    return tuple(out)


def _by_kind(faults: Sequence[Fault], past: Past) -> dict[str, tuple[float, float]]:
    """Of each kind, how many were bad and how many there were on all boards of the design."""
    bad: dict[str, float] = {}
    for number, hit in _hits(faults, past.all_mended).items():
        kind = faults[number].defect.id
        bad[kind] = bad.get(kind, 0.0) + hit
    there: dict[str, int] = {}
    for fault in faults:
        there[fault.defect.id] = there.get(fault.defect.id, 0) + past.all_boards
    return {kind: (bad.get(kind, 0.0), max(count, bad.get(kind, 0.0))) for kind, count in there.items()}


def _hits(faults: Sequence[Fault], mended: Iterable[Mended]) -> dict[int, float]:
    """Fixes by the fault they name; one that names only a part is shared out among its faults by their chances."""
    out: dict[int, float] = {}
    for one in mended:
        at_part = [number for number, fault in enumerate(faults) if fault.part == one.part]
        exact = [number for number in at_part if _joint(faults[number]) == one.joint]
        if not one.joint:
            exact = [number for number in exact if one.sure and faults[number].kind in _WHOLE]
        chosen = exact or at_part
        whole = sum(faults[number].defect.rate for number in chosen)
        for number in chosen:
            out[number] = out.get(number, 0.0) + faults[number].defect.rate / whole
    return out


def _joint(fault: Fault) -> str:
    return place_words(fault.part, [pin.ref for pin in fault.pins])
