"""Which step is worth doing next: a check, a trial or a repair, with what each answer would mean.

The plan decides by expected cost to the fix; here stands what may be offered at all: nothing whose answer is known,
nothing that needs what is not at hand, no heat before power and strap are known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import Final

from console.causes.belief import TRUSTED_REPEATS, Belief, Model, Weights, model, normalised, times
from console.causes.catalogue import OTHER, Catalogue, Check, catalogue
from console.causes.evidence import Configured, Evidence, Observation
from console.causes.plan import Planner, question
from console.causes.rank import NextCheck, answered, belief, rank

DEPTH: Final = 2
_SURE: Final = 0.985  # an outcome expected with this chance is as good as known: common practice, no source
_NEGLIGIBLE: Final = 2e-4  # pairs below this chance are left out of the plan (never of the ranking)
_NAMED: Final = 2


def next_check(
    evidence: Evidence,
    table: Catalogue | None = None,
    *,
    have: frozenset[str] = frozenset(),
    skipped: frozenset[str] = frozenset(),
    priors: Mapping[str, float] | None = None,
    depth: int = DEPTH,
) -> NextCheck | None:
    """The best step now, or None: nothing wrong, a swap that was made and not yet tried, or giving up is cheaper.

    `table` is the packaged catalogue where left out. `have` adds what is at
    hand beyond the catalogue's list ("golden-board", "spare-adapter", "infrared"), `skipped` are steps the person does
    not want, `priors` come from the bench's own counts. `depth` steps are looked ahead.
    """
    if table is None or table is catalogue():
        weights = None if priors is None else tuple(sorted(priors.items()))
        return _kept(_bare(evidence), have, skipped, weights, depth)
    return _next(evidence, table, have, skipped, priors, depth)


def _bare(evidence: Evidence) -> Evidence:
    """The evidence without what does not matter here, so that a noisy line does not ask for a new plan per byte."""

    def bare(one: Configured) -> Configured:
        seen = tuple(Observation(code, "", 1) for code in sorted(one.codes))
        return replace(one, observations=seen, repeats=min(one.repeats, TRUSTED_REPEATS))

    return replace(evidence, configured=tuple(map(bare, evidence.configured)), current=bare(evidence.current))


@lru_cache(maxsize=256)
def _kept(
    evidence: Evidence,
    have: frozenset[str],
    skipped: frozenset[str],
    priors: tuple[tuple[str, float], ...] | None,
    depth: int,
) -> NextCheck | None:
    return _next(evidence, catalogue(), have, skipped, None if priors is None else dict(priors), depth)


def _next(
    evidence: Evidence,
    table: Catalogue,
    have: frozenset[str],
    skipped: frozenset[str],
    priors: Mapping[str, float] | None,
    depth: int,
) -> NextCheck | None:
    # a loader that was in step before is asked once more; if that changes nothing, it is a symptom like others
    again = "already-synchronised" in evidence.certain and evidence.reading.repeats > 1
    if (evidence.certain and not again) or evidence.swap_pending or not rank(evidence, priors):
        return None
    if "identified" in evidence.reading.codes:
        return None  # it answers; read protection is a state, and lifting it erases: nothing to propose unasked
    have, skipped = have | evidence.at_hand, skipped | evidence.skipped
    if "K05" not in skipped and _swapped_in_vain(evidence):
        return _put_back(table.checks["K05"])
    done = tuple(answered(evidence, table))
    if any(step.cures and outcome != step.in_vain for step, outcome in _steps_of(done, table)):
        return None  # the board answers
    tables = model(table)
    now = belief(evidence, table, priors)
    known = _known(evidence, done, table)
    offered = [
        step
        for step in (*table.checks.values(), *table.repairs.values())
        if step.id not in skipped and _sensible(step, evidence, done, table, have) and not _sure(step, now, tables)
    ]
    few, weights = tables.narrowed(now.chances, _NEGLIGIBLE)
    choice = Planner(few, offered, known).choose(weights, depth)
    if choice.step is None:
        return None
    step = choice.step
    return NextCheck(
        step.id,
        step.title,
        step.minutes,
        step.caution,
        step.why,
        step.action,
        expected_minutes=round(choice.minutes, 1),
        answers=tuple(_answers(step, now.chances, tables)),
        risk=step.risk,
        repair=step.id in table.repairs,
        in_vain=step.in_vain or "",
        scale=step.scale,
        stimulus=step.stimulus,
    )


def _swapped_in_vain(evidence: Evidence) -> bool:
    """The wires are swapped now, both ways were tried, and neither answers."""
    here = evidence.current
    tried = bool(here.codes) and not here.answered
    return here.wires_swapped and tried and any(not one.wires_swapped for one in evidence.configured)


def _put_back(swap: Check) -> NextCheck:
    """What comes later takes the wires as they were built; left swapped, a good repair would stay unseen."""
    return NextCheck(
        swap.id,
        "put TX and RX back as they were and try again",
        swap.minutes,
        swap.caution,
        "swapping them changed nothing, so they were most likely right before",
        swap.action,
        risk=swap.risk,
    )


def _steps_of(done: Sequence[tuple[str, str]], table: Catalogue) -> Iterator[tuple[Check, str]]:
    for name, outcome in done:
        step = table.step(name)
        if step is not None:
            yield step, outcome


def _known(evidence: Evidence, done: Sequence[tuple[str, str]], table: Catalogue) -> frozenset[str]:
    """Checks that have an answer: given by a person, or implied by what was seen."""
    codes = evidence.reading.codes
    implied = {check.id for check in table.checks.values() if check.implied_by & codes}
    told = {name for name, _ in evidence.checks}  # also an answer the catalogue has no numbers for
    return frozenset((implied | told | {name for name, _ in done}) - _again(evidence, done, table))


def _sensible(
    step: Check, evidence: Evidence, done: Sequence[tuple[str, str]], table: Catalogue, have: frozenset[str]
) -> bool:
    if not ((table.at_hand | have) - evidence.missing).issuperset(step.needs):
        return False
    if not step.implied_by.isdisjoint(evidence.reading.codes):
        return False
    if not step.never_after.isdisjoint(evidence.checks):
        return False
    if step.only_after and step.only_after.isdisjoint(evidence.checks):
        return False
    if step.id in evidence.often or (step.action is not None and step.action in evidence.often):
        return False  # whatever it promises on paper, nobody does it a third time
    asked = [name for name, _ in done]
    told = [name for name, _ in evidence.checks if name not in asked]
    questions = {question(known) for known in (table.step(name) for name in (*told, *asked)) if known is not None}
    # what was put back counts in the plan although it cannot come next
    return question(step) not in questions or step.reverts


def _again(evidence: Evidence, done: Sequence[tuple[str, str]], table: Catalogue) -> set[str]:
    """Trials that were put back, before something else was repaired: they are worth another try."""
    fresh = replace(evidence, configured=tuple(one for one in evidence.configured if not one.stale), checks=())
    tried = {name for name, _ in answered(fresh, table)}  # tried again since
    out: set[str] = set()
    earlier: set[str] = set()
    for step, _ in _steps_of(done, table):
        if step.reverts:
            out.discard(step.id)
            earlier.add(step.id)
        elif step.cures:
            out |= earlier
    return out - tried


def _sure(step: Check, now: Belief, tables: Model) -> bool:
    """Whether the answer of a reading follows from what is known already."""
    if step.cures:
        return False
    return any(sum(times(now.chances, tables.outcome(step, outcome))) > _SURE for outcome in step.outcomes)


def _answers(step: Check, chances: Sequence[float], tables: Model) -> Iterator[tuple[str, str]]:
    """Each outcome with what it would mean: the causes that would stand first after it."""
    for outcome in step.outcomes:
        if outcome == step.in_vain:
            yield outcome, "then most likely: " + _first(tables.after_failure(step, chances), tables)
            continue
        rest = times(chances, tables.outcome(step, outcome))
        if step.cures:
            yield outcome, "the board answers; it was most likely: " + _first(rest, tables)
        else:
            yield outcome, "then most likely: " + _first(rest, tables)


def _first(weights: Weights, tables: Model) -> str:
    chances = Belief(tables.states, normalised(weights)).marginals()
    top = sorted(chances, key=lambda cause: (-chances[cause], cause == OTHER, cause))[:_NAMED]
    return ", ".join(f"{tables.table.title(cause)} ({min(99, max(1, round(100 * chances[cause])))} %)" for cause in top)
