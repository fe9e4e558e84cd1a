"""Which cause explains the evidence best, with the reasons in words.

Probabilities come from reasoned weights; they order suspects and must not be read as measured rates.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from console.causes.bayes import surprise, weigh
from console.causes.catalogue import OTHER, Catalogue, catalogue
from console.causes.observation import Evidence

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
    """What to do next. `action` names what the console records once it is done ("swap-done"); None for a reading."""

    id: str
    title: str
    minutes: float
    caution: str | None
    why: str
    action: str | None


@dataclass(frozen=True, slots=True)
class Clue:
    """One piece of evidence: words, and P(it | cause) for every cause."""

    text: str
    likelihood: Mapping[str, float]


def swap_outcome(evidence: Evidence) -> str | None:
    """What trying both wire configurations showed: "answers", "silent", or None while only one was tried.

    "answers" means that exactly one of them answers, which is what uncrossed wires do. An answer in the present
    configuration that stops short of an identification settles the wires, and what remains is another fault.
    """
    if len(evidence.configured) < 2:
        return None
    answering = [reading for reading in evidence.configured if reading.answered]
    if not answering:
        return "silent"
    present = evidence.reading
    settled = present.answered and "identified" not in present.codes
    return "answers" if len(answering) == 1 and not settled else None


def clues(evidence: Evidence, table: Catalogue) -> list[Clue]:
    """The evidence as independent clues. Each code of one configuration and each question count once."""
    reading = evidence.reading
    swap = swap_outcome(evidence)
    if swap == "silent":
        reading = evidence.configured[0]
    elif swap == "answers":
        reading = next(one for one in evidence.configured if not one.answered)
    out = [Clue(seen.id, table.likelihood(seen.id)) for seen in reading.observations]
    answers = {} if swap is None else {"K05": ("K05", swap)}
    for check, outcome in evidence.checks:
        known = table.checks.get(check)
        if known is not None and check != "K05":
            answers[known.same_question or check] = (check, outcome)
    for check, outcome in answers.values():
        likelihood = table.outcome(check, outcome)
        if likelihood is not None:
            out.append(Clue(f"{table.checks[check].title}: {outcome}", likelihood))
    return out


def posterior(evidence: Evidence, table: Catalogue, *, something_else: bool = True) -> dict[str, float]:
    """Probability of every cause; sums to 1, none is 0 or 1. Without evidence these are the priors."""
    return weigh(table.priors(something_else), [clue.likelihood for clue in clues(evidence, table)])


def rank(evidence: Evidence) -> tuple[RankedCause, ...]:
    """Causes worth naming, most probable first: at most eight, none below 0.005 or above 0.99.

    Empty without evidence and when the board answered well. Situations that are certain stand first by rule.
    """
    table = catalogue()
    certain = tuple(
        RankedCause(code, _CERTAIN[code][0], _CERTAIN_SHARE, (_CERTAIN[code][1],)) for code in evidence.certain[:1]
    )
    ranked = _weighed(evidence, table) if _something_wrong(evidence) else ()
    if certain:
        rest = 1 - _CERTAIN_SHARE
        scaled = [RankedCause(c.id, c.title, c.probability * rest, c.why) for c in ranked]
        ranked = certain + tuple(cause for cause in scaled if cause.probability >= LEAST_PROBABILITY)
    return ranked[:MOST]


def _something_wrong(evidence: Evidence) -> bool:
    codes = evidence.reading.codes
    if "already-synchronised" in evidence.certain and "nack" not in codes:
        return False
    if "identified" in codes:
        return "read-refused" in codes or swap_outcome(evidence) == "answers"
    return bool(codes)


def _weighed(evidence: Evidence, table: Catalogue) -> tuple[RankedCause, ...]:
    seen = clues(evidence, table)
    prior = table.priors()
    chances = weigh(prior, [clue.likelihood for clue in seen])
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
    moved = sorted(((surprise(cause, prior, clue.likelihood), clue.text) for clue in seen), key=lambda m: -abs(m[0]))
    words = [text if gain >= 0 else f"less likely by: {text}" for gain, text in moved[:_REASONS]]
    supports = next((n for n, (gain, _) in enumerate(moved[:_REASONS]) if gain >= 0), None)
    if supports is not None:
        words[supports] += f": {table.causes[cause].reason}"
    return tuple(words)
