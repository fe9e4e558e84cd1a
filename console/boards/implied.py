"""From what a read-back shows to what that implies on this board: roles of lines become nets, with chances. Pure.

All chances are those of just the value that was read. A fault of a line gives few values or none in particular, another
part gives its own; so a steady value that is another part's own, and that no line makes of the right one, is that part.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from console.boards.readback import ENOUGH_READINGS, Findings
from console.boards.stagerun import Implication

# P(a reading of this pattern | a line or part the pattern points at made the stage fail), and for all else: common
# practice, no source
_FITS: Final = 0.5
_OTHERWISE: Final = 0.08
_JOINED: Final = 0.8
# P(a value that is on no list | another part is fitted, and answers)
_ON_NO_LIST: Final = 0.1
# patterns that a dead or missing chip shows too
_DEAD_CHIP: Final = frozenset({"all-ones", "all-zeros", "changing"})
_OTHER_CHIP: Final = "another-known-id"


def implied(
    findings: Findings, lines: Mapping[str, str], part: str, neighbours: Collection[int] = ()
) -> Implication | None:
    """What a wrong reading of `part` implies, or None where nothing points anywhere on the board.

    `lines` gives the net for a role of a line: data-out, clock, select, supply, ground, reset, hold, pull, mode, or
    ``bit 3``. Roles that it does not name are passed over. `neighbours` are the values of other parts that are on the
    board: they alone can answer instead of this one.
    """
    if findings.matches:
        return None
    value = findings.readings[0]
    any_value = 2.0**-findings.width
    nets: dict[str, float] = {}
    joined: dict[frozenset[str], float] = {}
    parts: dict[str, float] = {}
    others: dict[str, float] = {}
    otherwise = _OTHERWISE * any_value
    for pattern in findings.patterns:
        named = [lines[role] for role in pattern.implicates if role in lines]
        chance = _FITS * pattern.share
        if pattern.id == _OTHER_CHIP:
            if findings.stable:
                others[part] = chance
            if value not in neighbours:
                continue
        else:
            otherwise = max(otherwise, _OTHERWISE * pattern.share)
        if pattern.id == "bits-joined":
            pairs = [frozenset({one, other}) for one in named for other in named if one != other]
            joined |= dict.fromkeys(pairs, _JOINED * pattern.share)
            continue
        for net in named:
            nets[net] = max(chance, nets.get(net, 0.0))
        if pattern.id in _DEAD_CHIP:
            parts[part] = max(chance, parts.get(part, 0.0))
    if not findings.patterns and len(findings.readings) >= ENOUGH_READINGS:
        others[part] = _ON_NO_LIST * any_value
    if not (nets or joined or parts or others):
        return None
    words = "; ".join(pattern.words for pattern in findings.patterns)
    return Implication(
        words or "a steady value that no line makes of the right one",
        nets={net: max(chance, otherwise) for net, chance in nets.items()},
        parts=parts,
        joined=joined,
        others=others,
        otherwise=otherwise,
    )
