"""What can be wrong inside a simulated chip: cells, pages, and answers that go astray. Plain facts, no behaviour.

Counts begin at 1 with the moment the flaws are given to the target, and go on through its resets; 0 = never.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class StuckBit:
    """Bit `bit` (0..7) of the flash byte at `address` always reads as `level`."""

    address: int
    bit: int
    level: int


@dataclass(frozen=True, slots=True)
class Flaws:
    """`stubborn_pages` keep what they hold through every erase. `locked_sectors` are write protected: acknowledged and
    unchanged (AN3155 Rev 20 s.3.6, s.3.7). The `nack_at`-th command is refused, the `stall_at`-th is not answered until
    a reset; the `late_at`-th acknowledge comes `late_s` later. During the `power_fails_at`-th erase or write the supply
    goes, and what was being changed is left half done, drawn from `seed`.
    """

    stuck_bits: tuple[StuckBit, ...] = ()
    stubborn_pages: tuple[int, ...] = ()
    locked_sectors: tuple[int, ...] = ()
    nack_at: int = 0
    stall_at: int = 0
    late_at: int = 0
    late_s: float = 0.0
    power_fails_at: int = 0
    seed: int = 7


class Tally:
    """Counts what a target does, and says when a flaw's turn has come."""

    def __init__(self, flaws: Flaws) -> None:
        self._flaws = flaws
        self._commands = self._acknowledges = self._operations = 0

    def stall(self) -> Generator[None, int, None]:
        """A command begins: takes bytes for ever where it is the one that stalls."""
        self._commands += 1
        while self._commands == self._flaws.stall_at:
            yield

    def refuses(self) -> bool:
        """Whether the command that began is the one to refuse."""
        return self._commands == self._flaws.nack_at

    def late_s(self) -> float:
        """An acknowledge begins: how much later than usual, in seconds."""
        self._acknowledges += 1
        return self._flaws.late_s if self._acknowledges == self._flaws.late_at else 0.0

    def power_fails(self) -> bool:
        """An erase or a write begins: whether the supply goes during it."""
        self._operations += 1
        return self._operations == self._flaws.power_fails_at
