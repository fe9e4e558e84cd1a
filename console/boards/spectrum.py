"""Coefficients that rank parts by the stages that use them, without any prior: a second opinion beside the ranking.

Rows are stages that ran, columns are parts. Stages that did not run are not counted. 0/0 is taken as 0.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Spectrum:
    """How the stages that use a part ended: `failed_used` of `failed` and `passed_used` of `passed` stages use it."""

    failed_used: int
    passed_used: int
    failed: int
    passed: int

    @property
    def ochiai(self) -> float:
        """Share of shared stages, in [0, 1]: ef / sqrt(F (ef + ep))."""
        below = math.sqrt(self.failed * (self.failed_used + self.passed_used))
        return self.failed_used / below if below else 0.0

    @property
    def tarantula(self) -> float:
        """Share of failed stages against that of passed ones, in [0, 1]: (ef/F) / (ef/F + ep/P)."""
        bad = self.failed_used / self.failed if self.failed else 0.0
        good = self.passed_used / self.passed if self.passed else 0.0
        return bad / (bad + good) if bad + good else 0.0

    @property
    def jaccard(self) -> float:
        """Shared stages over all stages that failed or use it, in [0, 1]: ef / (F + ep)."""
        below = self.failed + self.passed_used
        return self.failed_used / below if below else 0.0

    def dstar(self, power: float = 2) -> float:
        """D*: ef^power / (ep + nf), from 0 up; infinite where all failed stages and no passed one use it."""
        below = self.passed_used + self.failed - self.failed_used
        above = self.failed_used**power
        return above / below if below else (math.inf if above else 0.0)


def spectrum(stages: Iterable[tuple[bool, bool]]) -> Spectrum:
    """The spectrum of a part over stages that ran: pairs of whether the stage passed and whether it uses the part."""
    used = [0, 0]
    total = [0, 0]
    for passed, uses in stages:
        total[passed] += 1
        used[passed] += uses
    return Spectrum(used[0], used[1], total[0], total[1])
