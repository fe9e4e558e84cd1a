"""Which cause explains the evidence best, with the reasons in words.

Probabilities come from reasoned weights; they order suspects and must not be read as measured rates.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from console.causes.bayes import surprise, weigh
from console.causes.belief import TRUSTED_REPEATS, Belief, model, normalised, times
from console.causes.catalogue import OTHER, Catalogue, catalogue
from console.causes.evidence import ANSWERS, Configured, Evidence
from console.causes.reading import Scale

MOST: Final = 8
LEAST_PROBABILITY: Final = 0.005
HIGHEST: Final = 0.99
_CERTAIN_SHARE: Final = 0.97
_REASONS: Final = 3
_CERTAIN: Final = {
    "port-busy": ("another program holds the port", "the system refused to open it a second time"),
    "port-permission": ("no permission to open the port", "the system refused access to the device"),
    "link-lost": ("the adapter went away", "the system reported the port gone outside an unanswered attempt"),
    "already-synchronised": (
        "the loader was already synchronised",
        "it refused the sync byte as a command, so it was listening before",
    ),
}


@dataclass(frozen=True, slots=True)
class RankedCause:
    """A cause with its probability (0 < p <= 0.99) and the evidence that moved it most, in words."""

    id: str
    title: str
    probability: float
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NextCheck:
    """What to do next. `action` names what the console records once it is done ("swap-done"); None for a reading.

    `expected_minutes` is what finding and removing the fault is expected to take from here, this step included.
    `answers` pairs each outcome that can be recorded with what it would mean. `risk` is 0 (none) to 3 (can hurt);
    `repair` says that it is a repair and not a check. `in_vain` is the outcome to record when a change did not help.
    `scale` judges a measured value, where one value decides; `stimulus` is the byte that the console sends meanwhile.
    """

    id: str
    title: str
    minutes: float
    caution: str | None
    why: str
    action: str | None
    expected_minutes: float = 0.0
    answers: tuple[tuple[str, str], ...] = ()
    risk: int = 0
    repair: bool = False
    in_vain: str = ""
    scale: Scale | None = None
    stimulus: int | None = None

    @property
    def change(self) -> bool:
        """Whether it changes something, so that a new attempt tells what it did; else the operator tells."""
        return bool(self.action) or self.repair


@dataclass(frozen=True, slots=True)
class Clue:
    """One piece of evidence: words, and P(it | cause) for every cause.

    It is an observation `code`, an `outcome` of the check or repair `step`, or neither: attempts that differ. `trust`
    below 1 lets it count less.
    """

    text: str
    likelihood: Mapping[str, float]
    code: str = ""
    step: str = ""
    outcome: str = ""
    trust: float = 1.0


def _tried(evidence: Evidence, table: Catalogue) -> tuple[Configured, dict[str, str]]:
    """The reading that shows the fault, and what trying other configurations said about it, by check.

    Where all were in vain, the first reading stands and each change that was tried alone failed. Where one answers, the
    failing reading that differs from it by one change stands, and that change worked. An answer in the present
    configuration that stops short of an identification settles what was changed, and what remains is another fault.
    Where a repair worked, the reading made before it shows the fault.
    """
    present = evidence.reading
    if evidence.before is not None and present.answered and _cured(evidence.checks, table):
        return evidence.before, {}
    trials = [check for check in table.checks.values() if check.changes and check.in_vain]
    tried = [reading for reading in evidence.configured if reading.asked]
    # where the board identified itself, what was refused elsewhere was not good enough either
    good_enough = frozenset({"identified"}) if "identified" in present.codes else ANSWERS
    answering = [reading for reading in tried if reading.codes & good_enough]
    failing = [reading for reading in tried if not reading.codes & good_enough]
    if len(tried) < 2 or not failing:
        return present, {}
    if not answering:
        first = failing[0]
        pairs = [(check, first.changed(other)) for other in failing[1:] for check in trials]
        return first, {
            check.id: list(check.outcomes)[-1]
            for check, changed in pairs
            if changed and changed.issubset(check.changes)
        }
    if present.answered and "identified" not in present.codes:
        return present, {}
    for reading in failing:
        for good in answering:
            for check in trials:
                changed = good.changed(reading)
                if changed and changed.issubset(check.changes):
                    helped = min(map(check.changes.index, changed))
                    return reading, {check.id: list(check.outcomes)[helped]}
    return present, {}


def _cured(done: Iterable[tuple[str, str]], table: Catalogue) -> bool:
    """Whether one of these steps was a change after which the board answered."""
    steps = ((table.step(name), outcome) for name, outcome in done)
    return any(step is not None and step.cures and outcome != step.in_vain for step, outcome in steps)


def answered(evidence: Evidence, table: Catalogue) -> tuple[tuple[str, str], ...]:
    """Check or repair and its outcome, in order; those that attempts settled in front.

    What the catalogue does not have is left out. Of checks that ask the same question only the latest answer stays.
    """
    told = dict(evidence.checks)
    out: dict[str, tuple[str, str]] = {}
    settled = [(check, outcome) for check, outcome in _tried(evidence, table)[1].items() if check not in told]
    for name, outcome in (*settled, *evidence.checks):
        step = table.step(name)
        if step is not None and outcome in step.outcomes:
            question = step.same_question or name
            out.pop(question, None)
            out[question] = (name, outcome)
    return tuple(out.values())


def clues(evidence: Evidence, table: Catalogue) -> list[Clue]:
    """The evidence as independent clues. Each code of one configuration and each question count once."""
    reading, _ = _tried(evidence, table)
    trust = min(1.0, reading.repeats / TRUSTED_REPEATS) if reading.unsteady else 1.0
    done = answered(evidence, table)
    plain = {code for name, outcome in done if (step := table.step(name)) for code in step.explains.get(outcome, ())}
    out = [
        Clue(seen.id, table.likelihood(seen.id), code=seen.id, trust=trust)
        for seen in reading.observations
        if seen.id not in plain
    ]
    if any(one.unsteady for one in evidence.configured):
        out.append(Clue("equal attempts gave different results", table.unsteady()))
    for name, outcome in done:
        likelihood = table.outcome(name, outcome)
        step = table.step(name)
        if step is not None and not step.shows.get(outcome, frozenset()).isdisjoint(reading.codes):
            continue  # the same bytes, seen by the attempt as well
        if likelihood is not None and step is not None:
            out.append(Clue(f"{step.title} gave: {outcome}", likelihood, step=name, outcome=outcome))
    return out


def posterior(evidence: Evidence, table: Catalogue, *, something_else: bool = True) -> dict[str, float]:
    """Probability of every cause if there is just one; sums to 1, none is 0 or 1. Without evidence: the priors."""
    seen = [{cause: chance**clue.trust for cause, chance in clue.likelihood.items()} for clue in clues(evidence, table)]
    return weigh(table.priors(something_else), seen)


def belief(evidence: Evidence, table: Catalogue, priors: Mapping[str, float] | None = None) -> Belief:
    """Chances of every cause, every pair of causes and "something else" as things are now.

    `priors` are the causes' priors where the bench's own counts replace the catalogue's (see learning).
    """
    tables = model(table)
    weights = tables.prior(priors)
    for clue in clues(evidence, table):
        step = table.step(clue.step)
        if clue.code:
            weights = times(weights, tables.seen(clue.code), clue.trust)
        elif step is None:
            weights = times(weights, tables.unsteady())
        elif step.in_vain == clue.outcome:
            weights = tables.after_failure(step, weights)
        else:
            weights = times(weights, tables.outcome(step, clue.outcome))
        weights = normalised(weights)
    return Belief(tables.states, weights)


def rank(evidence: Evidence, priors: Mapping[str, float] | None = None) -> tuple[RankedCause, ...]:
    """Causes worth naming, most probable first: at most eight, none below 0.005 or above 0.99.

    The probability is that of the cause being present, alone or with another one; all together may exceed 1.
    Empty without evidence and when the board answered well. Situations that are certain stand first by rule.
    """
    table = catalogue()
    # that a board which answers well was in its loader already is no fault
    fine = {"already-synchronised"} if "identified" in evidence.reading.codes else set()
    certain = tuple(
        RankedCause(code, _CERTAIN[code][0], _CERTAIN_SHARE, (_CERTAIN[code][1],))
        for code in evidence.certain[:1]
        if code not in fine
    )
    ranked = _weighed(evidence, table, priors) if _something_wrong(evidence, table) else ()
    if certain:
        rest = 1 - _CERTAIN_SHARE
        scaled = [RankedCause(c.id, c.title, c.probability * rest, c.why) for c in ranked]
        ranked = certain + tuple(cause for cause in scaled if cause.probability >= LEAST_PROBABILITY)
    return ranked[:MOST]


def _something_wrong(evidence: Evidence, table: Catalogue) -> bool:
    codes = evidence.reading.codes
    if "already-synchronised" in evidence.certain and "nack" not in codes:
        return False
    if "identified" in codes:
        return "read-refused" in codes or _cured(answered(evidence, table), table)
    return bool(codes) or _found_wrong(evidence, table)


def _found_wrong(evidence: Evidence, table: Catalogue) -> bool:
    """Whether a reading made before any attempt was not the plain one, which stands first among its outcomes."""
    steps = ((table.step(name), outcome) for name, outcome in answered(evidence, table))
    return any(step is not None and not step.cures and outcome != next(iter(step.outcomes)) for step, outcome in steps)


def _weighed(evidence: Evidence, table: Catalogue, priors: Mapping[str, float] | None) -> tuple[RankedCause, ...]:
    seen = clues(evidence, table)
    prior = table.priors() if priors is None else priors
    chances = belief(evidence, table, priors).marginals()
    order = sorted(chances, key=lambda cause: (-chances[cause], cause))
    if "identified" in evidence.reading.codes:
        order = order[:1]  # the board answered: only what the evidence confirms is still worth a word
    return tuple(
        RankedCause(cause, table.title(cause), min(HIGHEST, chances[cause]), _why(cause, seen, prior, table))
        for cause in order[:MOST]
        if chances[cause] >= LEAST_PROBABILITY
    )


def _why(cause: str, seen: list[Clue], prior: Mapping[str, float], table: Catalogue) -> tuple[str, ...]:
    if cause == OTHER:
        return ("what was seen fits no known cause well",)
    moved = sorted(((surprise(cause, prior, clue.likelihood), clue) for clue in seen), key=lambda m: -abs(m[0]))
    words = [clue.text if gain >= 0 else f"less likely by: {clue.text}" for gain, clue in moved[:_REASONS]]
    # the catalogue's reason explains what is seen on the line, not what a check found
    supports = next((n for n, (gain, clue) in enumerate(moved[:_REASONS]) if gain >= 0 and clue.code), None)
    if supports is not None:
        words[supports] += f": {table.causes[cause].reason}"
    return tuple(words)
