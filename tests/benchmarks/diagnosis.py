"""How well and how cheaply diagnosis ends, on faults staged from its own model.

Three parts, JSON on standard output:
* full catalogue: faults drawn from the prior (single causes and pairs), a simulated operator who does what is proposed,
  truthful or with 5 % wrong readings; is the first cause at the end a staged one, what did it cost;
* the same boards by a fixed checklist: the checks by number, after each bad reading the repairs it points at, then all
  repairs by number;
* small random models, where the optimal policy can be found by listing every policy: cost of ours against it.

Cost is minutes weighted by risk, as in console.causes.plan; giving up costs what the catalogue says. Wrong answers are
readings: whether a board answers after a trial, the console sees by itself.

Run: python tests/benchmarks/diagnosis.py [BOARDS] [SMALL_MODELS]
"""

from __future__ import annotations

import json
import math
import statistics
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from random import Random

from console.causes.belief import Model, Weights, model, normalised, times
from console.causes.catalogue import OTHER, Catalogue, Cause, Check, catalogue
from console.causes.evidence import EXTRA_CODES, TABLE_CODES, Configured, Evidence, Observation
from console.causes.nextcheck import next_check
from console.causes.plan import TURN_MIN, Planner, step_cost
from console.causes.rank import belief, rank

WRONG = 0.05
MOST_STEPS = 80


@dataclass
class Board:
    """A board with its faults; knows what it shows and what helps."""

    faults: tuple[str, ...]
    random: Random
    wrong: float = 0.0
    left: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.left = set(self.faults)

    def draw(self, rows: dict[str, dict[str, float]], causes: Sequence[str]) -> str:
        """One of `rows` (earliest first): each cause draws, the later hides the earlier."""
        order = list(rows)
        picks = [self.random.choices(range(len(order)), [rows[name][cause] for name in order])[0] for cause in causes]
        return order[max(picks)]

    def symptom(self, table: Catalogue) -> Evidence | None:
        """What the first attempt shows, or None where it shows a board that works."""
        code = self.draw({name: table.likelihood(name) for name in table.dominance}, self.faults)
        codes = [code]
        if code in ("ack", "nack"):
            for extra in EXTRA_CODES:
                chance = 1.0
                for cause in self.faults:
                    chance *= table.likelihood(extra)[cause]
                codes += [extra] if self.random.random() < chance else []
        if "identified" in codes and "read-refused" not in codes:
            return None
        reading = Configured(False, tuple(Observation(name, name, 1) for name in codes))
        return Evidence((reading,), reading)

    def do(self, step: Check, table: Catalogue) -> str:
        """The outcome of a step, as the operator records it."""
        if not step.cures:
            rows = {name: table.outcome(step.id, name) or {} for name in step.outcomes}
            told = self.draw(rows, sorted(self.left))
            others = [name for name in step.outcomes if name != told]
            return self.random.choice(others) if self.random.random() < self.wrong else told
        cured = {cause for cause in self.left if self.random.random() < step.cures.get(cause, 0.0)}
        outcomes = list(step.outcomes)
        if cured == self.left:
            self.left = set()
            last = sorted(cured)[-1]
            return max(outcomes[:-1], key=lambda name: step.outcomes[name].get(last, 0.0))
        if not step.reverts:
            self.left -= cured
        return outcomes[-1]


@dataclass
class Run:
    """How one board went."""

    cost: float
    minutes: float
    steps: int
    fixed: bool
    right: bool
    seconds: float = 0.0
    given_up: float = 0.0

    @property
    def work(self) -> float:
        """Cost without what giving up costs."""
        return self.cost - self.given_up


def by_plan(board: Board, evidence: Evidence, table: Catalogue) -> Run:
    """Do what the console proposes until the board answers or it gives up."""
    cost = minutes = slowest = 0.0
    for number in range(MOST_STEPS):
        begun = time.perf_counter()
        check = next_check(evidence)
        slowest = max(slowest, time.perf_counter() - begun)
        if check is None:
            break
        step = table.step(check.id)
        assert step is not None
        cost += step_cost(step)
        minutes += step.minutes + TURN_MIN
        told = (step.id, board.do(step, table))
        kept = tuple(pair for pair in evidence.checks if pair[0] != step.id)
        evidence = Evidence(evidence.configured, evidence.current, checks=(*kept, told))
        if not board.left:
            return Run(cost, minutes, number + 1, True, rank(evidence)[0].id in board.faults, slowest)
    give_up = table.give_up_minutes
    return Run(cost + give_up, minutes + give_up, number, False, rank(evidence)[0].id in board.left, slowest, give_up)


def by_checklist(board: Board, evidence: Evidence, table: Catalogue, order: Sequence[Check]) -> Run:
    """Every check in a fixed order; a bad reading is followed by the repairs of what it points at; then all repairs."""
    cost = minutes = 0.0
    done: set[str] = set()
    repairs = [*table.repairs.values()]
    number = 0
    for check in (*order, *repairs, table.checks["K30"]):
        queue = [check]
        while queue:
            step = queue.pop(0)
            if step.id in done:
                continue
            done.add(step.id)
            number += 1
            cost += step_cost(step)
            minutes += step.minutes + TURN_MIN
            outcome = board.do(step, table)
            if not board.left:
                return Run(cost, minutes, number, True, False)
            if not step.cures and outcome != next(iter(step.outcomes)):
                queue += [fix for fix in repairs if set(fix.cures) & set(step.confirms)]
                queue += [trial for trial in order if set(trial.cures) & set(step.confirms)]
    give_up = table.give_up_minutes
    return Run(cost + give_up, minutes + give_up, number, False, False, 0.0, give_up)


def boards(count: int, table: Catalogue, wrong: float, seed: int) -> Iterator[tuple[Board, Board, Evidence]]:
    """Staged boards in two copies, with what the first attempt shows."""
    random = Random(seed)
    tables = model(table)
    prior = [0.0 if state == (OTHER,) else p for state, p in zip(tables.states, tables.prior(), strict=True)]
    made = 0
    while made < count:
        faults = random.choices(tables.states, prior)[0]
        number = random.getrandbits(32)
        board = Board(faults, Random(number), wrong)
        evidence = board.symptom(table)
        if evidence is not None and rank(evidence):
            made += 1
            yield board, Board(faults, Random(number + 1), wrong), evidence


def full(count: int, wrong: float) -> dict[str, object]:
    """The catalogue as it is, ours against two fixed checklists."""
    table = catalogue()
    usual = [check for check in table.checks.values() if table.at_hand.issuperset(check.needs) and check.id != "K30"]
    cheap = sorted(usual, key=step_cost)
    ours, numbered, cheapest, pairs, ceiling = [], [], [], [], []
    steps = [step for step in (*usual, table.checks["K30"], *table.repairs.values()) if step.cures]
    best = {cause: max(step.cures.get(cause, 0.0) for step in steps) for cause in table.causes}
    for board, twin, evidence in boards(count, table, wrong, seed=3):
        sensible = [check for check in usual if not check.implied_by & evidence.reading.codes]
        ours.append(by_plan(board, evidence, table))
        numbered.append(by_checklist(twin, evidence, table, sensible))
        again = Board(board.faults, Random(twin.random.getrandbits(32)), wrong)
        cheapest.append(by_checklist(again, evidence, table, [c for c in cheap if c in sensible]))
        pairs.append(len(board.faults) == 2)
        ceiling.append(math.prod(best[cause] for cause in board.faults))
    cost = statistics.fmean(run.cost for run in ours)
    work = statistics.fmean(run.work for run in ours)
    return {
        "boards": count,
        "wrong_readings": wrong,
        "pairs": sum(pairs),
        "top1": round(statistics.fmean(run.right for run in ours), 4),
        "top1_singles": round(statistics.fmean(r.right for r, two in zip(ours, pairs, strict=True) if not two), 4),
        "fixed": round(statistics.fmean(run.fixed for run in ours), 4),
        "fixed_if_every_cause_got_its_best_repair_once": round(statistics.fmean(ceiling), 4),
        "mean_cost": round(cost, 2),
        "mean_cost_without_giving_up": round(work, 2),
        "mean_minutes": round(statistics.fmean(run.minutes for run in ours), 2),
        "mean_steps": round(statistics.fmean(run.steps for run in ours), 2),
        "slowest_proposal_ms": round(1000 * max(run.seconds for run in ours), 1),
        "checklist_by_number": against(numbered, ours),
        "checklist_cheapest_first": against(cheapest, ours),
    }


def against(runs: Sequence[Run], ours: Sequence[Run]) -> dict[str, float]:
    """Figures of a checklist and how many times ours is cheaper: in all, without giving up, and in plain minutes."""

    def mean(which: Sequence[Run], what: str) -> float:
        return statistics.fmean(getattr(run, what) for run in which)

    return {
        "mean_cost": round(mean(runs, "cost"), 2),
        "mean_minutes": round(mean(runs, "minutes"), 2),
        "fixed": round(mean(runs, "fixed"), 4),
        "times_our_cost": round(mean(runs, "cost") / mean(ours, "cost"), 2),
        "times_our_cost_without_giving_up": round(mean(runs, "work") / mean(ours, "work"), 2),
        "times_our_minutes": round(mean(runs, "minutes") / mean(ours, "minutes"), 2),
    }


def small_model(random: Random, causes: int, readings: int) -> Catalogue:
    """A random catalogue: one repair per cause, readings with two outcomes that tell some causes from others."""
    flat = dict.fromkeys(TABLE_CODES, 1 / len(TABLE_CODES)) | dict.fromkeys(EXTRA_CODES, 0.05)
    names = [f"c{n}" for n in range(causes)]
    every = {name: Cause(name, name, name, random.uniform(0.05, 0.5), flat, "", "random") for name in names}
    checks, repairs = {}, {}
    for number in range(readings):
        good = {"default": 0.95} | {name: random.choice([0.95, 0.05, random.random()]) for name in names}
        rows = {"good": good, "bad": {name: 1 - p for name, p in good.items()}}
        checks[f"k{number}"] = _step(f"k{number}", random, random.uniform(0.2, 3), 1, rows, {})
    for name in names:
        cures = {name: random.uniform(0.8, 0.98)}
        works = {"default": 0.02} | cures
        rows = {"works": works, "still-fails": {cause: 1 - p for cause, p in works.items()}}
        repairs["r" + name] = _step("r" + name, random, random.uniform(0.2, 20), 3, rows, cures)
    return Catalogue(every, checks, 0.02, 0.05, repairs, 0.2, give_up_minutes=random.choice([40.0, 120.0, 480.0]))


def _step(
    name: str, random: Random, minutes: float, risk: int, rows: dict[str, dict[str, float]], cures: dict[str, float]
) -> Check:
    level = random.randint(0, risk)
    nothing: frozenset[str] = frozenset()
    return Check(name, name, minutes, level, "", None, "", (), (), nothing, (), (), "", None, rows, cures)


def branches(tables: Model, step: Check, weights: Weights) -> Iterator[tuple[float, Weights]]:
    """What may follow a step while the board does not answer."""
    if step.cures:
        rest = tables.after_failure(step, weights)
        yield sum(rest), normalised(rest)
        return
    for outcome in step.outcomes:
        rest = times(weights, tables.outcome(step, outcome))
        yield sum(rest), normalised(rest)


def optimal(tables: Model, steps: frozenset[str], weights: Weights) -> float:
    """Least expected cost over every policy that does each step at most once."""
    best = tables.table.give_up_minutes
    for name in steps:
        step = tables.table.step(name)
        assert step is not None
        cost = step_cost(step)
        for chance, rest in branches(tables, step, weights):
            if cost >= best:
                break
            cost += chance * optimal(tables, steps - {name}, rest)
        best = min(best, cost)
    return best


Policy = Callable[[Weights, frozenset[str]], Check | None]


def policy_cost(tables: Model, policy: Policy, steps: frozenset[str], weights: Weights) -> float:
    """Expected cost of a policy, exactly."""
    step = policy(weights, steps)
    if step is None:
        return tables.table.give_up_minutes
    after = branches(tables, step, weights)
    return step_cost(step) + sum(p * policy_cost(tables, policy, steps - {step.id}, rest) for p, rest in after)


def small(count: int, causes: int, readings: int) -> dict[str, object]:
    """Ours against the optimum on random models."""
    ratios: dict[int, list[float]] = {1: [], 2: []}
    for number in range(count):
        table = small_model(Random(1000 + number), causes, readings)
        tables = Model(table)
        every = frozenset((*table.checks, *table.repairs))
        best = optimal(tables, every, tables.prior())
        for depth, found in ratios.items():

            def policy(weights: Weights, steps: frozenset[str], depth: int = depth) -> Check | None:
                left = [step for name in sorted(steps) if (step := table.step(name)) is not None]  # noqa: B023
                return Planner(tables, left, every - steps).choose(weights, depth).step  # noqa: B023

            found.append(policy_cost(tables, policy, every, tables.prior()) / best)
    out: dict[str, object] = {"models": count, "causes": causes, "readings": readings}
    for depth, found in ratios.items():
        out[f"times_optimal_depth_{depth}"] = {
            "mean": round(statistics.fmean(found), 4),
            "worst": round(max(found), 4),
            "optimal_share": round(statistics.fmean(ratio < 1.0005 for ratio in found), 3),
        }
    return out


def ranking_ms() -> float:
    """Median time of one ranking of the full catalogue with pairs, nothing cached but the tables."""
    reading = Configured(False, (Observation("silence", "silence", 1),))
    checks = tuple((check.id, next(iter(check.outcomes))) for check in catalogue().checks.values() if not check.cures)
    evidence = Evidence((reading,), reading, checks=checks)
    belief(evidence, catalogue())
    spent = []
    for _ in range(51):
        begun = time.perf_counter()
        rank(evidence)
        spent.append(time.perf_counter() - begun)
    return round(1000 * statistics.median(spent), 2)


def main() -> None:
    """Measure and print."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    models = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    result = {
        "ranking_ms": ranking_ms(),
        "goals": {"top1": 0.95, "times_optimal": 1.05, "times_cheaper_than_checklist": 2, "ranking_ms": 20},
        "truthful": full(count, 0.0),
        "five_percent_wrong": full(count, WRONG),
        "small_models": [small(models, 3, 2), small(models, 3, 3), small(max(1, models // 2), 4, 2)],
    }
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
