"""Answers that hardly go together under any cause or pair of causes: said by name, so that a person can repeat one."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Final

from console.causes.belief import Model, Weights, model
from console.causes.catalogue import OTHER, Catalogue, catalogue
from console.causes.evidence import Evidence
from console.causes.rank import Clue, clues

# two answers contradict when no state gives both more than this share of what each could have alone
_SHARE: Final = 0.12  # reasoned: two answers that each miss by a factor of ten still pass; no source


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two answers in words, `first` given earlier, and how little (0 to 1) the best explanation of both allows."""

    first: str
    second: str
    share: float


def contradictions(evidence: Evidence, table: Catalogue | None = None) -> tuple[Contradiction, ...]:
    """Pairs of clues that exclude each other, the worst first.

    Two answers to one question that differ exclude each other too, although only the later one is weighed.
    """
    table = table or catalogue()
    tables = model(table)
    seen = [(clue.text, _share_of_best(clue, tables)) for clue in clues(evidence, table)]
    known = [state != (OTHER,) for state in tables.states]
    found = []
    for (first, one), (second, two) in combinations(seen, 2):
        best = max(a * b for a, b, counts in zip(one, two, known, strict=True) if counts)
        if best < _SHARE:
            found.append(Contradiction(first, second, best))
    return tuple(sorted([*_same_question(evidence, table), *found], key=lambda pair: pair.share))


def _same_question(evidence: Evidence, table: Catalogue) -> list[Contradiction]:
    told = [(check, outcome) for check, outcome in evidence.checks if check in table.checks]
    return [
        Contradiction(f"{table.checks[a].title}: {one}", f"{table.checks[b].title}: {two}", 0.0)
        for (a, one), (b, two) in combinations(told, 2)
        if table.checks[a].same_question and table.checks[a].same_question == table.checks[b].same_question
        if one != two and not table.checks[a].cures and not table.checks[b].cures
    ]


def _share_of_best(clue: Clue, tables: Model) -> Weights:
    step = tables.table.step(clue.step)
    if clue.code:
        row = tables.seen(clue.code)
    elif step is None:
        row = tables.unsteady()
    else:
        row = tables.outcome(step, clue.outcome)
    top = max(row)
    return [chance / top for chance in row]
