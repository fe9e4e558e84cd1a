"""What is known about each wire between adapter and board."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class WireEvidence:
    """One wire: "host-tx", "host-rx", "ground" or "power", its two ends, and what the evidence says about it."""

    id: str
    adapter_end: str
    board_end: str
    state: Literal["proven", "suspect", "unknown"]
    why: str
