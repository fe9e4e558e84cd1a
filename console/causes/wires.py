"""What is known about each wire between adapter and board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from console.causes.evidence import Evidence
from console.causes.rank import RankedCause

State = Literal["proven", "suspect", "unknown"]
_SUSPECT_MASS: Final = 0.12  # reasoned: about twice what an average cause has, pairs included
_TOP: Final = 5
_WIRES: Final = (
    ("host-tx", "TX", "RX", ("wires-uncrossed", "board-rx-open", "board-rx-stuck", "tx-rx-shorted")),
    ("host-rx", "RX", "TX", ("wires-uncrossed", "board-tx-open", "board-tx-held-low", "tx-rx-shorted")),
    ("ground", "GND", "GND", ("no-common-ground",)),
    ("power", "VCC", "VCC", ("target-unpowered", "supply-shorted")),
)
# what an answer proves beside TX and RX
_ANSWERED: Final[dict[str, tuple[State, str]]] = {
    "ground": ("proven", "whole bytes pass: the grounds are joined"),
    "power": ("unknown", "powered, by this wire or another way"),
}


@dataclass(frozen=True, slots=True)
class WireEvidence:
    """One wire: "host-tx", "host-rx", "ground" or "power", its two ends, and what the evidence says about it."""

    id: str
    adapter_end: str
    board_end: str
    state: State
    why: str


def wires(evidence: Evidence, ranked: Sequence[RankedCause]) -> tuple[WireEvidence, ...]:
    """The four wires in a fixed order.

    A documented answer proves TX, RX and ground; that the board has power does not prove the wire. A wire is suspect
    when the first causes that point at it have 0.12 or more together; else nothing is known. `ranked` is what `rank`
    made of the same evidence.
    """
    answered = evidence.reading.answered or "already-synchronised" in evidence.certain
    return tuple(_wire(one, answered, ranked[:_TOP]) for one in _WIRES)


def _wire(wire: tuple[str, str, str, tuple[str, ...]], answered: bool, ranked: Sequence[RankedCause]) -> WireEvidence:
    name, adapter_end, board_end, faults = wire
    if answered:
        state, why = _ANSWERED.get(name, ("proven", "a documented answer came through it"))
        return WireEvidence(name, adapter_end, board_end, state, why)
    pointing = [cause for cause in ranked if cause.id in faults]
    if sum(cause.probability for cause in pointing) >= _SUSPECT_MASS:
        return WireEvidence(name, adapter_end, board_end, "suspect", "; ".join(cause.title for cause in pointing))
    return WireEvidence(name, adapter_end, board_end, "unknown", "no evidence yet")
