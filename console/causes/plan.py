"""Least expected cost to the fix: repairs in an order, checks where they pay, and when to give up.

The value of a belief is the cost of repairing in the order of chance over cost, stopping where that is cheaper: optimal
for one cause and repairs that act on one cause each, a good guess else. On top of it every step is looked through:
cost of the step, and per outcome its chance and the value after it (and again below the best steps, `depth` deep).
Cost is minutes times a factor for risk.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from console.causes.belief import Model, Weights, normalised, times
from console.causes.catalogue import Check
from console.causes.cost import information, look_ahead, prefix_cost, stop_scan

# minutes to turn from the screen to the board and repeat the attempt, whatever the step: common practice, no source
TURN_MIN: Final = 0.5
# how much dearer a minute is at risk 0..3: common practice, no source
RISK_FACTOR: Final = (1.0, 1.1, 3.0, 6.0)
_SMALL: Final = 1e-9  # a pair lighter than this moves no cost
_RARE: Final = 1e-4  # an outcome rarer than this is not looked through
_TRIALS: Final = 8  # trials looked through at each step: the first ones in the order of chance over cost
_EQUAL: Final = 1.04  # reasoned: the costs rest on guessed minutes and are no better than this; no source
_SILLY: Final = 0.04  # the luck any trial has, and a little: common practice, no source
_DECIDES: Final = 0.01  # an answer rarer than this is not asked for to change a plan: common practice, no source
_WIDTH: Final = 4  # steps looked through twice
_TELLING: Final = 2  # and of those that cost nearly the same, these that tell most


def step_cost(step: Check) -> float:
    """Minutes weighted by risk."""
    return (step.minutes + TURN_MIN) * RISK_FACTOR[step.risk]


def question(step: Check) -> str:
    """What the step asks; steps that ask the same are done once."""
    return step.same_question or step.id


@dataclass(frozen=True, slots=True)
class Value:
    """What is expected from here: weighted cost, plain minutes, and the repairs to do, first one first."""

    cost: float
    minutes: float
    order: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """The best step (None: give up) and what is expected when it is done."""

    step: Check | None
    cost: float
    minutes: float


@dataclass(frozen=True, slots=True)
class _Trial:
    """A trial or repair as the value of a belief needs it: causes by number, cost and minutes alone, gates unpaid."""

    id: str
    cures: tuple[tuple[int, float], ...]
    alone: tuple[float, float]
    gates: tuple[Check, ...]
    cost: float


class Planner:
    """Plans over the steps that are possible now. `done` are answered step ids, gates of `after` among them."""

    def __init__(self, tables: Model, steps: Sequence[Check], done: Iterable[str]) -> None:
        self._tables = tables
        self._done = frozenset(done)
        self._give_up = tables.table.give_up_minutes
        self._looks = [step for step in steps if not step.cures and self._done.issuperset(step.after)]
        here = self._done.union(step.id for step in steps)
        self._gates = {step.id: self._gate(step) for step in steps if step.cures}
        # work that waits for a check which cannot be done here is not offered at all
        self._trials = [
            step for step in steps if step.cures and here.issuperset(gate.id for gate in self._gates[step.id])
        ]
        self._reverting = frozenset(step.id for step in steps if step.reverts)
        self._steps = {step.id: step for step in self._trials}
        self._count = len(tables.causes)
        number = {cause: n for n, cause in enumerate(tables.causes)}
        self._pairs = [(n, number[s[0]], number[s[1]]) for n, s in enumerate(tables.states) if len(s) == 2]
        self._opened: dict[frozenset[str], list[_Trial]] = {}

    def choose(self, weights: Sequence[float], depth: int = 1) -> Choice:
        """The step with the least expected cost, looking `depth` steps ahead (1 or more).

        The trial that would be first if no check paid does not count as a step, lest checks be rushed only because they
        come within sight. Steps whose costs differ by less than the estimate is good for count as equal; of these the
        one that tells most per minute goes first.
        """
        return self._choose(list(weights), self._done, depth, _EQUAL)

    def options(self, weights: Sequence[float]) -> list[tuple[Check, float]]:
        """Every possible step with the expected cost from here when it is done first, looking one step ahead."""
        return [(step, cost) for step, cost, _ in self._looked(list(weights), self._done, self.value(weights))]

    def value(self, weights: Sequence[float], done: frozenset[str] | None = None) -> Value:
        """Expected cost and minutes of repairing by chance over cost without any further check."""
        trials = self._open_trials(self._done if done is None else done)
        if not trials:
            return Value(self._give_up, self._give_up, ())
        present = list(weights[: self._count])
        pairs = [(one, two, weights[n]) for n, one, two in self._pairs if weights[n] > _SMALL]
        for one, two, weight in pairs:
            present[one] += weight
            present[two] += weight
        ordered = sorted(trials, key=lambda trial: -sum(present[c] * q for c, q in trial.cures) / trial.cost)
        firsts: list[tuple[int, float]] = [(-1, 0.0)] * self._count
        left = list(weights[: self._count])
        resolved = []
        for position, trial in enumerate(ordered):
            helped = 0.0
            for cause, chance in trial.cures:
                helped += left[cause] * chance
                left[cause] *= 1 - chance
                if not firsts[cause][1]:
                    firsts[cause] = (position, chance)
            resolved.append(helped)
        for one, two, weight in pairs:  # of a pair only the first cure of each cause is counted on
            (here, first), (there, second) = firsts[one], firsts[two]
            if first and second:
                resolved[max(here, there)] += weight * first * second
        opened: set[str] = set()
        paid, minutes = [], []
        for trial in ordered:  # what must be measured first is paid with the first repair that asks for it
            cost, plain = trial.alone
            for gate in trial.gates:
                if gate.id not in opened:
                    opened.add(gate.id)
                    cost += step_cost(gate)
                    plain += gate.minutes + TURN_MIN
            paid.append(cost)
            minutes.append(plain)
        cost, count = stop_scan(resolved, paid, self._give_up)
        plain = prefix_cost(resolved, minutes, self._give_up, count)
        return Value(cost, plain, tuple(trial.id for trial in ordered[:count]))

    def _open_trials(self, done: frozenset[str]) -> list[_Trial]:
        kept = self._opened.get(done)
        if kept is None:
            kept = self._opened[done] = []
            for step in self._trials:
                if step.reverts or step.id not in done:
                    gates = tuple(gate for gate in self._gates[step.id] if gate.id not in done)
                    cures = tuple((self._tables.causes.index(cause), chance) for cause, chance in step.cures.items())
                    cost = step_cost(step)
                    whole = cost + sum(step_cost(gate) for gate in gates)
                    kept.append(_Trial(step.id, cures, (cost, step.minutes + TURN_MIN), gates, whole))
        return kept

    def _choose(self, weights: Weights, done: frozenset[str], depth: int, equal: float = 1.0) -> Choice:
        now = self.value(weights, done)
        first = next((name for name in now.order if name not in done), "")  # what is done if no check pays
        looked = sorted(self._looked(weights, done, now), key=lambda item: _key(*item[:2]))
        if equal > 1:  # cheap work that is nearly sure to be in vain may pay on paper and looks silly on the bench
            hopeful = [item for item in looked if self._hope(item[0], weights) >= _SILLY]
            looked = hopeful if hopeful and hopeful[0][1] < self._give_up else looked
        best = Choice(None, self._give_up, self._give_up)
        if depth > 1:
            few = [step for n, (step, *_) in enumerate(looked) if n < _WIDTH or step.id == first]
            if equal > 1:
                near = [step for step, cost, _ in looked if cost <= equal * looked[0][1] and step not in few]
                few += sorted(near, key=lambda step: -self._telling(step, weights))[:_TELLING]
            free = 1 if equal > 1 else 0
            again = [
                (step, *self._deep(step, weights, done, depth + free if step.id == first else depth)) for step in few
            ]
            looked = sorted(again, key=lambda item: _key(*item[:2]))
        if looked and looked[0][1] < best.cost:
            close = [item for item in looked if item[1] <= equal * looked[0][1]]
            # rare and dear repairs make all costs nearly equal: what tells most for its cost then goes first
            best = Choice(
                *(close[0] if len(close) == 1 else max(close, key=lambda item: self._telling(item[0], weights)))
            )
        return self._gated(best, done)

    def _gated(self, choice: Choice, done: frozenset[str]) -> Choice:
        """A step that asks for others first gives way to the first of them."""
        if choice.step is None:
            return choice
        gates = [gate for gate in self._gates.get(choice.step.id, ()) if gate.id not in done]
        return Choice(min(gates, key=step_cost), choice.cost, choice.minutes) if gates else choice

    def _looked(self, weights: Weights, done: frozenset[str], now: Value) -> Iterator[tuple[Check, float, float]]:
        first = self._first(now, weights, done)
        for step in self._looks:
            if question(step) not in done:
                after = self._after(step, done)
                branches = [(p, rest, self.value(rest, after)) for p, rest in self._branches(step, weights)]
                # an answer that changes nothing of what is done next can wait until that was in vain
                if any(p > _DECIDES and self._first(value, rest, after) != first for p, rest, value in branches):
                    yield (step, *self._sum(step, done, [(p, value) for p, _, value in branches]))
        for name in [name for name in now.order if name not in done][:_TRIALS]:
            yield (self._steps[name], *self._through(self._steps[name], weights, done))

    def _first(self, value: Value, weights: Weights, done: frozenset[str]) -> str:
        """The repair that would be done now if there were no checks; one that is nearly sure to be in vain is not."""
        left = [name for name in value.order if name not in done]
        return next(
            (name for name in left if self._hope(self._steps[name], weights) >= _SILLY), left[0] if left else ""
        )

    def _through(self, step: Check, weights: Weights, done: frozenset[str]) -> tuple[float, float]:
        after = self._after(step, done)
        return self._sum(step, done, [(p, self.value(rest, after)) for p, rest in self._branches(step, weights)])

    def _deep(self, step: Check, weights: Weights, done: frozenset[str], depth: int) -> tuple[float, float]:
        after = self._after(step, done)
        branches = [(p, self._choose(rest, after, depth - 1)) for p, rest in self._branches(step, weights)]
        return self._sum(step, done, branches)

    def _after(self, step: Check, done: frozenset[str]) -> frozenset[str]:
        gates = {gate.id for gate in self._gates.get(step.id, ())}
        if step.cures and not step.reverts:  # what was put back is worth another try once something else was repaired
            done = done - self._reverting
        return done | {step.id, question(step)} | gates

    def _sum(
        self, step: Check, done: frozenset[str], branches: Sequence[tuple[float, Value | Choice]]
    ) -> tuple[float, float]:
        gates = [gate for gate in self._gates.get(step.id, ()) if gate.id not in done]
        cost = step_cost(step) + sum(step_cost(gate) for gate in gates)
        minutes = step.minutes + TURN_MIN + sum(gate.minutes + TURN_MIN for gate in gates)
        return (
            look_ahead(cost, ((chance, after.cost) for chance, after in branches)),
            look_ahead(minutes, ((chance, after.minutes) for chance, after in branches)),
        )

    def _hope(self, step: Check, weights: Weights) -> float:
        """Chance that a step which cures does cure, luck left out; 1 for a reading."""
        if step.in_vain is None:
            return 1.0
        return sum(times(weights, self._tables.cured(step)))

    def _telling(self, step: Check, weights: Weights) -> float:
        """Bits that the step's outcome tells about the state, per weighted minute; gates are paid with it."""
        outcomes = (self._tables.outcome(step, outcome) for outcome in step.outcomes)
        cost = step_cost(step) + sum(step_cost(gate) for gate in self._gates.get(step.id, ()))
        return information(weights, outcomes) / cost

    def _branches(self, step: Check, weights: Weights) -> Iterator[tuple[float, Weights]]:
        """Outcomes after which something is left to do: their chance and the weights after them."""
        if step.cures:
            rest = self._tables.after_failure(step, weights)
            yield sum(rest), normalised(rest)
            return
        for outcome in step.outcomes:
            rest = times(weights, self._tables.outcome(step, outcome))
            chance = sum(rest)
            if chance > _RARE:
                yield chance, normalised(rest)

    def _gate(self, step: Check) -> tuple[Check, ...]:
        checks = self._tables.table.checks
        out: dict[str, Check] = {}
        waiting = list(step.after)
        while waiting:
            name = waiting.pop()
            if name not in self._done and name not in out:
                out[name] = checks[name]
                waiting += checks[name].after
        return tuple(out.values())


def _key(step: Check, cost: float) -> tuple[float, int, float]:
    # ties: lower risk, then less time
    return (round(cost, 9), step.risk, step.minutes)
