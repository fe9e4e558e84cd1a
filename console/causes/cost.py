"""What finding and removing a fault costs: orders of repair, stopping, whether a check pays. Knows nothing of wires.

One cause, repairs checked at once by trying again: p over c is the best order (Kadane and Simon; Kalagnanam and
Henrion, arXiv 1304.2362). Elsewhere it is a good guess, and looking one step ahead over checks corrects it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence


def repair_cost(chances: Sequence[float], costs: Sequence[float]) -> float:
    """Expected cost of repairs tried in this order until one helps: each costs unless an earlier one helped."""
    left, total = 1.0, 0.0
    for chance, cost in zip(chances, costs, strict=True):
        total += cost * left
        left -= chance
    return total


def best_order(chances: Sequence[float], costs: Sequence[float]) -> list[int]:
    """Positions by chance over cost, largest first; equal ones keep their order. Costs must be above 0."""
    return sorted(range(len(chances)), key=lambda i: -chances[i] / costs[i])


def inspect_and_repair_cost(
    chances: Sequence[float], looks: Sequence[float], repairs: Sequence[float], last_unseen: bool = False
) -> float:
    """Expected cost where looking shows whether a part is bad and only the bad one is repaired.

    `last_unseen`: the last part is taken as guilty without a look. The best order sorts by chance over cost of the
    look; what the repair costs plays no part in it.
    """
    spent = [*looks[:-1], 0.0] if last_unseen and looks else list(looks)
    return repair_cost(chances, spent) + math.fsum(p * c for p, c in zip(chances, repairs, strict=True))


def stop_scan(resolved: Sequence[float], costs: Sequence[float], give_up: float) -> tuple[float, int]:
    """Cheapest prefix of an order: expected cost, and how many repairs to try before giving up.

    `resolved[k]` is the chance that the board answers after repair k and not before; `give_up` is paid where no tried
    repair helped. Giving up at once is a prefix too. All prefixes are tried: the one-step rule picks wrong ones.
    """
    spent, paid, left = 0.0, 0.0, 1.0
    best, count = give_up, 0
    for number, (chance, cost) in enumerate(zip(resolved, costs, strict=True), 1):
        spent += cost
        paid += chance * spent
        left -= chance
        total = paid + max(0.0, left) * (spent + give_up)
        if total < best:
            best, count = total, number
    return best, count


def prefix_cost(resolved: Sequence[float], costs: Sequence[float], give_up: float, count: int) -> float:
    """Expected cost of trying the first `count` repairs of an order and then giving up."""
    spent, paid, left = 0.0, 0.0, 1.0
    for chance, cost in zip(resolved[:count], costs[:count], strict=True):
        spent += cost
        paid += chance * spent
        left -= chance
    return paid + max(0.0, left) * (spent + give_up)


def after_failed(chances: Sequence[float], tried: int, success: float = 1.0) -> list[float]:
    """Chances after repair `tried`, which succeeds with `success` where its cause is present, did not help."""
    rest = 1 - chances[tried] * success
    return [(p * (1 - success) if i == tried else p) / rest for i, p in enumerate(chances)]


def look_ahead(cost: float, branches: Iterable[tuple[float, float]]) -> float:
    """Expected cost of a check and what follows: `branches` are pairs of P(outcome) and the cost after it."""
    return cost + math.fsum(chance * after for chance, after in branches)


def entropy(chances: Iterable[float]) -> float:
    """How open the question is, in bits."""
    return -math.fsum(p * math.log2(p) for p in chances if p > 0)


def information(chances: Sequence[float], outcomes: Iterable[Sequence[float]]) -> float:
    """Bits a check is expected to tell; each of `outcomes` is P(outcome | cause) in the order of `chances`."""
    left = 0.0
    for row in outcomes:
        joint = [p * q for p, q in zip(chances, row, strict=True)]
        total = math.fsum(joint)
        if total > 0:
            left += total * entropy(p / total for p in joint)
    return entropy(chances) - left


def noisy_or(leak: float, strengths: Iterable[float]) -> float:
    """P(effect) where each present cause brings it about by itself with its strength, and `leak` without any."""
    quiet = 1 - leak
    for strength in strengths:
        quiet *= 1 - strength
    return 1 - quiet
