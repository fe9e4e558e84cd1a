"""Which check is worth doing next: the chance that it finds the cause, per minute, with risk as extra cost.

A first rule that looks one check ahead; whoever replaces it keeps `next_check`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from console.causes.catalogue import Catalogue, Check, catalogue
from console.causes.observation import Evidence
from console.causes.rank import NextCheck, posterior, rank, swap_outcome

# minutes to turn from the screen to the board and repeat the attempt, whatever the check: common practice, no source
_TURN_MIN: Final = 0.5
# how much dearer a minute is at risk 0..3: common practice, no source
_RISK_FACTOR: Final = (1.0, 1.1, 3.0, 6.0)
_LEAST_GAIN: Final = 0.01


def next_check(
    evidence: Evidence, chances: Mapping[str, float] | None = None, table: Catalogue | None = None
) -> NextCheck | None:
    """The best check now, or None: nothing wrong, nothing worth it, or a swap that was made and not yet tried.

    `chances` is the posterior and `table` the catalogue; both are computed where they are left out.
    """
    table = table or catalogue()
    if evidence.certain or evidence.swap_pending or not rank(evidence) or "identified" in evidence.reading.codes:
        return None
    if chances is None:
        chances = posterior(evidence, table)
    open_checks = [check for check in table.checks.values() if _sensible(check, evidence, table)]
    if not open_checks:
        return None
    # ties: lower risk, then less time, then the catalogue's order
    best = max(open_checks, key=lambda check: (_worth(check, chances), -check.risk, -check.minutes))
    gain = _gain(best, chances)
    if gain < _LEAST_GAIN:
        return None
    return NextCheck(best.id, best.title, best.minutes, best.caution, best.why, best.action)


def _gain(check: Check, chances: Mapping[str, float]) -> float:
    return sum(chances.get(cause, 0.0) for cause in check.confirms)


def _worth(check: Check, chances: Mapping[str, float]) -> float:
    return _gain(check, chances) / ((check.minutes + _TURN_MIN) * _RISK_FACTOR[check.risk])


def _sensible(check: Check, evidence: Evidence, table: Catalogue) -> bool:
    answered = {name for name, _ in evidence.checks}
    if swap_outcome(evidence) is not None:
        answered.add("K05")
    questions = {table.checks[name].same_question or name for name in answered if name in table.checks}
    if (check.same_question or check.id) in questions:
        return False
    if not check.implied_by.isdisjoint(evidence.reading.codes):
        return False
    # what needs a second board, adapter or instrument is not offered before somebody says it is there
    return not check.needs and answered.issuperset(check.after)
