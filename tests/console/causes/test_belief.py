"""Beliefs over one and two causes against a general library for Bayesian networks and a plain enumeration.

The library is pgmpy: causes and symptoms become nodes, "the later symptom hides the earlier" a deterministic node.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from itertools import combinations, product
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.bayes import weigh
from console.causes.belief import Belief, Model, model, normalised, times
from console.causes.catalogue import OTHER, Catalogue, Cause, Check, catalogue
from console.causes.evidence import EXTRA_CODES, TABLE_CODES, Configured, Evidence, Observation
from console.causes.rank import belief

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library deprecates parts of itself while it loads
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork


def ask(nodes: Sequence[TabularCPD], wanted: str, evidence: Mapping[str, int]) -> list[float]:
    """Posterior of one node, by the library."""
    edges = [(parent, cpd.variable) for cpd in nodes for parent in cpd.variables[1:]]
    network = DiscreteBayesianNetwork(edges)
    network.add_cpds(*nodes)
    assert network.check_model()
    result = VariableElimination(network).query([wanted], evidence=dict(evidence), show_progress=False)
    return [float(value) for value in result.values]


def test_the_library_gives_the_printed_burglary_values() -> None:
    # D. Subramanian, Rice COMP 440, lecture 7 (2006) prints P(B|J) = 0.016 and P(B|A,E) = 0.003; tables from memory
    nodes = [
        TabularCPD("B", 2, [[0.999], [0.001]]),
        TabularCPD("E", 2, [[0.998], [0.002]]),
        TabularCPD("A", 2, [[0.999, 0.71, 0.06, 0.05], [0.001, 0.29, 0.94, 0.95]], ["B", "E"], [2, 2]),
        TabularCPD("J", 2, [[0.95, 0.1], [0.05, 0.9]], ["A"], [2]),
        TabularCPD("M", 2, [[0.99, 0.3], [0.01, 0.7]], ["A"], [2]),
    ]
    assert ask(nodes, "B", {"J": 1})[1] == pytest.approx(0.016284, abs=1e-6)
    assert ask(nodes, "B", {"A": 1})[1] == pytest.approx(0.373551, abs=1e-6)
    assert ask(nodes, "B", {"A": 1, "E": 1})[1] == pytest.approx(0.003268, abs=1e-6)
    assert ask(nodes, "B", {"J": 1, "M": 1})[1] == pytest.approx(0.284172, abs=1e-6)


def random_row(random: Random, count: int) -> list[float]:
    raw = [random.uniform(0.05, 1) for _ in range(count)]
    return [value / sum(raw) for value in raw]


@pytest.mark.parametrize("seed", range(4))
def test_single_fault_posterior_agrees_with_the_library(seed: int) -> None:
    random = Random(seed)
    causes = [f"c{n}" for n in range(random.randint(3, 6))]
    prior = dict(zip(causes, random_row(random, len(causes)), strict=True))
    nodes = [TabularCPD("C", len(causes), [[value] for value in prior.values()])]
    seen, evidence = [], {}
    for number in range(3):
        columns = [random_row(random, 3) for _ in causes]
        outcome = random.randrange(3)
        nodes.append(
            TabularCPD(f"o{number}", 3, [list(row) for row in zip(*columns, strict=True)], ["C"], [len(causes)])
        )
        evidence[f"o{number}"] = outcome
        seen.append({cause: column[outcome] for cause, column in zip(causes, columns, strict=True)})
    assert list(weigh(prior, seen).values()) == pytest.approx(ask(nodes, "C", evidence), abs=1e-9)


def check(name: str, outcomes: dict[str, dict[str, float]], cures: dict[str, float] | None = None) -> Check:
    return Check(
        name, name, 1.0, 0, "", None, "why", (), (), frozenset(), (), (), "", None, outcomes, cures or {}
    )  # fmt: skip


def small(random: Random, count: int) -> Catalogue:
    """A catalogue of `count` causes with random numbers, and two readings of three outcomes."""
    names = [f"c{n}" for n in range(count)]
    causes = {}
    for name in names:
        likelihood = dict(zip(TABLE_CODES, random_row(random, len(TABLE_CODES)), strict=True))
        likelihood |= {code: random.uniform(0.1, 0.9) for code in EXTRA_CODES}
        causes[name] = Cause(name, name, name, random.uniform(0.05, 0.5), likelihood, "reason", "random")
    checks = {}
    for number in range(2):
        rows = [random_row(random, 3) for _ in names]
        outcomes = {
            f"v{v}": {"default": 0.5} | {name: row[v] for name, row in zip(names, rows, strict=True)} for v in range(3)
        }
        checks[f"k{number}"] = check(f"k{number}", outcomes)
    return Catalogue(causes, checks, 0.1, 0.05, fault_rate=0.3)


@pytest.mark.parametrize("seed", range(3))
def test_pairs_agree_with_the_library(seed: int) -> None:
    """Two slots for causes; each draws an outcome; the later outcome in order shows."""
    random = Random(100 + seed)
    table = small(random, 3)
    tables = Model(table)
    outcomes = {name: random.choice(["v0", "v1", "v2"]) for name in table.checks}
    code = random.choice(TABLE_CODES)
    weights = times(tables.prior(), tables.seen(code))
    states = len(tables.states)
    cards = {"symptom": table.dominance} | dict.fromkeys(table.checks, ("v0", "v1", "v2"))
    evidence = {"symptom": table.dominance.index(code)}
    for name, outcome in outcomes.items():
        weights = times(weights, tables.outcome(table.checks[name], outcome))
        evidence[name] = cards[name].index(outcome)

    def likelihood(name: str, value: str) -> dict[str, float]:
        return table.likelihood(value) if name == "symptom" else table.outcome(name, value) or {}

    nodes = [TabularCPD("S", states, [[p] for p in tables.prior()])]
    for name, values in cards.items():
        size = len(values)
        for slot in (0, -1):  # a single cause fills both slots, and draws once: the second slot then copies "nothing"
            columns = []
            for state in tables.states:
                if slot == -1 and len(state) == 1:
                    columns.append([1.0] + [0.0] * (size - 1))  # hides nothing: the earliest outcome
                else:
                    columns.append([likelihood(name, value)[state[slot]] for value in values])
            rows = [list(row) for row in zip(*columns, strict=True)]
            nodes.append(TabularCPD(f"{name}{slot}", size, rows, ["S"], [states]))
        shown = [
            [float(max(a, b) == value) for a, b in product(range(size), repeat=2)] for value in range(size)
        ]  # fmt: skip
        nodes.append(TabularCPD(name, size, shown, [f"{name}0", f"{name}-1"], [size, size]))
    assert normalised(weights) == pytest.approx(ask(nodes, "S", evidence), abs=1e-9)


def test_the_prior_is_independent_faults_without_none_and_three() -> None:
    table = small(Random(7), 4)
    rate, total = table.fault_rate, sum(cause.prior for cause in table.causes.values())
    present = {name: rate * cause.prior / total for name, cause in table.causes.items()}
    expected = {}
    for chosen in product([False, True], repeat=4):
        weight = 1.0
        for name, there in zip(table.causes, chosen, strict=True):
            weight *= present[name] if there else 1 - present[name]
        names = tuple(name for name, there in zip(table.causes, chosen, strict=True) if there)
        if len(names) in (1, 2):
            expected[names] = weight
    tables = Model(table)
    known = {state: p for state, p in zip(tables.states, tables.prior(), strict=True) if state != (OTHER,)}
    assert {s: p / sum(known.values()) for s, p in known.items()} == pytest.approx(
        {s: p / sum(expected.values()) for s, p in expected.items()}
    )


def test_likelihoods_sum_to_one_over_what_can_be_seen() -> None:
    tables = model(catalogue())
    for total in map(sum, zip(*(tables.seen(code) for code in TABLE_CODES), strict=True)):
        assert total == pytest.approx(1, abs=1e-3)  # the floor adds a little
    for step in (*catalogue().checks.values(), *catalogue().repairs.values()):
        rows = [tables.outcome(step, outcome) for outcome in step.outcomes]
        for total in map(sum, zip(*rows, strict=True)):
            assert total == pytest.approx(1, abs=1e-3)


def test_a_failed_repair_moves_a_pair_to_what_is_left() -> None:
    table = small(Random(3), 3)
    fix = check("r", {"works": {"default": 0.0, "c0": 0.8}, "still": {"default": 1.0, "c0": 0.2}}, {"c0": 0.8})
    table = Catalogue(table.causes, table.checks | {"r": fix}, 0.1, 0.05)
    tables = Model(table)
    start = normalised([float(state == ("c0", "c1")) for state in tables.states])
    after = dict(zip(tables.states, normalised(tables.after_failure(fix, start)), strict=True))
    assert after["c1",] == pytest.approx(0.8, abs=1e-3)
    assert after["c0", "c1"] == pytest.approx(0.2, abs=1e-3)
    single = normalised([0.5 if state in (("c0",), ("c1",)) else 0.0 for state in tables.states])
    after = dict(zip(tables.states, normalised(tables.after_failure(fix, single)), strict=True))
    assert after["c0",] == pytest.approx(0.2 / 1.2, abs=1e-3)  # Bayes' rule by hand


def test_after_a_pair_lost_one_cause_the_other_can_be_found() -> None:
    """Strap wrong and RX open: moving the strap does not help, the joint is found afterwards."""
    silence = Configured(False, (Observation("silence", "silence", 1),))
    checks = (("K15", "other-level"), ("K12", "header-only"), ("K20", "rx-open"), ("K08", "in-range"))
    before = belief(Evidence((silence,), silence, checks=checks), catalogue())
    chances = dict(zip(before.states, before.chances, strict=True))
    assert chances["boot-strap-wrong", "board-rx-open"] > 0.3
    assert before.marginals()["board-rx-open"] > 0.8
    after = belief(Evidence((silence,), silence, checks=(*checks, ("K16", "silent"))), catalogue())
    assert after.marginals()["board-rx-open"] > 0.8
    assert after.marginals()["boot-strap-wrong"] < 0.06


clues = st.lists(
    st.sampled_from(
        [
            (step.id, outcome)
            for step in (*catalogue().checks.values(), *catalogue().repairs.values())
            for outcome in step.outcomes
        ]
    ),
    max_size=40,
)


@given(st.sets(st.sampled_from(TABLE_CODES + EXTRA_CODES)), clues)
def test_no_belief_is_ever_zero_or_one(codes: set[str], checks: list[tuple[str, str]]) -> None:
    reading = Configured(False, tuple(Observation(code, code, 1) for code in sorted(codes)))
    found = belief(Evidence((reading,), reading, checks=tuple(checks)), catalogue())
    assert isinstance(found, Belief)
    assert sum(found.chances) == pytest.approx(1)
    assert all(0 < chance < 1 for chance in found.chances)
    marginals = found.marginals()
    assert set(marginals) == {*catalogue().causes, OTHER}
    assert all(0 < chance < 1 for chance in marginals.values())


@given(st.permutations([("K02", "echoes"), ("K08", "in-range"), ("K15", "boot-level"), ("K12", "neither")]))
def test_readings_in_any_order_weigh_the_same(checks: list[tuple[str, str]]) -> None:
    silence = Configured(False, (Observation("silence", "silence", 1),))
    wanted = belief(Evidence((silence,), silence, checks=tuple(sorted(checks))), catalogue())
    found = belief(Evidence((silence,), silence, checks=tuple(checks)), catalogue())
    assert list(found.chances) == pytest.approx(list(wanted.chances))


def test_every_pair_of_causes_is_a_state() -> None:
    names = [*catalogue().causes]
    assert set(model(catalogue()).states) == {(name,) for name in (*names, OTHER)} | set(combinations(names, 2))
