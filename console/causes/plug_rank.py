"""From signs to suspects and to what is worth doing next, over the table of the plug watch."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from console.causes.bayes import surprise, weigh
from console.causes.plug_table import PlugTable
from console.causes.rank import HIGHEST, LEAST_PROBABILITY, NextCheck, RankedCause

_REASONS: Final = 3


def suspects(signs: Iterable[str], table: PlugTable) -> tuple[RankedCause, ...]:
    """The suspects that these signs leave, the likeliest first, each with what speaks for it."""
    seen = [table.signs[sign] for sign in signs]
    prior = {cause.id: cause.prior for cause in table.causes.values()}
    belief = weigh(prior, [sign.chance for sign in seen])
    out = []
    for id, probability in sorted(belief.items(), key=lambda item: -item[1]):
        if probability < LEAST_PROBABILITY:
            continue
        moved = [(surprise(id, prior, sign.chance), sign.words) for sign in seen]
        why = tuple(words for amount, words in sorted(moved, key=lambda one: -one[0]) if amount > 0)[:_REASONS]
        cause = table.causes[id]
        out.append(RankedCause(id, cause.title, min(HIGHEST, probability), (cause.reason, *why)))
    return tuple(out)


def steps_for(causes: Iterable[RankedCause], table: PlugTable) -> tuple[NextCheck, ...]:
    """What to do, the step that most likely settles it for its minutes first (the ratio rule of sequential search)."""
    belief = {cause.id: cause.probability for cause in causes}
    worth = [(sum(belief.get(cause, 0.0) for cause in settles) / step.minutes, step) for step, settles in table.steps]
    return tuple(step for value, step in sorted(worth, key=lambda one: -one[0]) if value > 0)
