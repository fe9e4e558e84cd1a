"""From what a read-back shows to what that implies on this board: roles of lines become nets, with chances. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from console.boards.readback import Findings
from console.boards.stagerun import Implication

# P(just this reading | a line or part the pattern points at made the stage fail), and for all else: common practice, no
# source
_FITS: Final = 0.5
_OTHERWISE: Final = 0.08
_JOINED: Final = 0.8
# patterns that a dead or missing chip shows too, and one that a wrong chip shows
_DEAD_CHIP: Final = frozenset({"all-ones", "all-zeros", "changing", "another-known-id"})


def implied(findings: Findings, lines: Mapping[str, str], part: str) -> Implication | None:
    """What a wrong reading of `part` implies, or None where no pattern points anywhere on the board.

    `lines` gives the net for a role of a line: data-out, clock, select, supply, ground, reset, hold, pull, mode, or
    ``bit 3``. Roles that it does not name are passed over.
    """
    if findings.matches:
        return None
    nets: dict[str, float] = {}
    joined: dict[frozenset[str], float] = {}
    parts: dict[str, float] = {}
    for pattern in findings.patterns:
        named = [lines[role] for role in pattern.implicates if role in lines]
        if pattern.id == "bits-joined":
            joined |= {frozenset({one, other}): _JOINED for one in named for other in named if one != other}
            continue
        nets |= dict.fromkeys(named, _FITS)
        if pattern.id in _DEAD_CHIP:
            parts[part] = _FITS
    if not (nets or joined or parts):
        return None
    words = "; ".join(pattern.words for pattern in findings.patterns)
    return Implication(words, nets=nets, parts=parts, joined=joined, otherwise=_OTHERWISE)
