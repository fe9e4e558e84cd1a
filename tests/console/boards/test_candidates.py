"""The posterior over single and double faults: worked examples, and listing every candidate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import combinations, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial.legendre import leggauss

from console.boards.candidates import Column, Outcome, diagnose, health

NEVER = 1e-12
Modes = tuple[tuple[float, float], ...]
# Gauss quadrature of degree 17: integrates either prior times the products of at most seven stages below exactly
_points, _weights = leggauss(9)
EVEN: Modes = tuple((float(x + 1) / 2, float(w) / 2) for x, w in zip(_points, _weights, strict=True))  # Beta(1, 1)
PERMANENT: Modes = tuple((x, share * 9 * (1 - x) ** 8) for x, share in EVEN)  # Beta(1, 9)


def among(
    names: Sequence[str], rows: Sequence[tuple[bool, str]], rate: float, modes: Modes, wanted: Sequence[str]
) -> list[float]:
    """Chances of the candidates `wanted` among themselves, from rows of (passed, names used)."""
    odds = rate / (1 - rate)
    columns = [
        Column((odds,), tuple(float(name in row.split()) for _, row in rows), (1.0,) * len(rows), modes)
        for name in names
    ]
    found = diagnose(columns, [Outcome(passed) for passed, _ in rows], NEVER).diagnoses([[name] for name in names])
    chances = [found[frozenset(candidate.split())] for candidate in wanted]
    return [chance / sum(chances) for chance in chances]


@pytest.mark.parametrize(("rate", "expected"), [(0.01, (0.970588, 0.029412)), (0.1, (0.75, 0.25))])
def test_three_components(rate: float, expected: tuple[float, float]) -> None:
    # spectrum of the README of MHS2 (Cardoso and Abreu) with a passing row; closed form by hand with an even prior on
    # how often a faulty one behaves: Pr({c1}) = B(2, 3) = 1/12, Pr({c2, c3}) = 1/4
    rows = [(False, "c1 c2"), (False, "c1 c3"), (True, "c1")]
    assert among(["c1", "c2", "c3"], rows, rate, EVEN, ["c1", "c2 c3"]) == pytest.approx(expected, abs=1e-6)


NAMES = ["U1", "U2", "U3", "U4", "Y1", "J1", "R"]
USED = ["U1 J1", "U1 U2 J1 R", "U1 U2 J1 R", "U1 U2 U4 J1 R", "U1 U2 U3 J1 R", "U1 U2 U3 U4 J1 R", "U1 U2 U3 Y1 J1 R"]
ONE_CHIP = [(number not in (3, 5), row) for number, row in enumerate(USED)]
TWO_CHIPS = [(number not in (3, 5, 6), row) for number, row in enumerate(USED)]


def test_one_chip_missing() -> None:
    # worked by closed form: Pr = B(1 + passed, 1 + failed) / B(1, 1), prior 0.02 each
    candidates = ["U4", "U2", "R", "U1", "J1"]
    weights = [1 / 3, 1 / 105, 1 / 105, 1 / 168, 1 / 168]
    found = among(NAMES, ONE_CHIP, 0.02, EVEN, candidates)
    assert found == pytest.approx([weight / sum(weights) for weight in weights])
    assert found == pytest.approx([0.9150, 0.0261, 0.0261, 0.0163, 0.0163], abs=1e-4)


@pytest.mark.parametrize(
    ("modes", "expected"),
    [
        (EVEN, [0.1296, 0.2721, 0.2721, 0.1361, 0.1361, 0.0540]),
        (PERMANENT, [0.7285, 0.0799, 0.0799, 0.0200, 0.0200, 0.0717]),
    ],
)
def test_two_chips_missing(modes: Modes, expected: list[float]) -> None:
    # worked with scipy's beta function, each behaviour integrated over its prior; the prior that faults are
    # permanent finds the true pair, the even one does not
    found = among(NAMES, TWO_CHIPS, 0.02, modes, ["U4 Y1", "U2", "R", "U1", "J1", "U3 U4"])
    assert found == pytest.approx(expected, abs=1e-4)


def test_health_state_as_printed() -> None:
    # Stern, Kalech and others, "How Many Diagnoses Do We Need?", figure 1 and table 1
    diagnoses = [(("C3", f"C{number}"), 0.16) for number in range(4, 9)] + [(("C1", "C2"), 0.2)]
    found = health(diagnoses)
    assert next(iter(found)) == "C3"
    assert found == pytest.approx({"C3": 0.8, "C1": 0.2, "C2": 0.2} | {f"C{number}": 0.16 for number in range(4, 9)})


CHANCE = st.floats(0.01, 0.97)
MODES = st.sampled_from([((0.0, 1.0),), ((0.0, 0.9), (0.6, 0.1)), ((0.2, 0.5), (0.7, 0.5))])


@st.composite
def cases(draw: st.DrawFn) -> tuple[list[Column], list[Outcome], float, float]:
    stages = draw(st.integers(1, 4))
    outcomes = [Outcome(draw(st.booleans()), draw(CHANCE)) for _ in range(stages)]
    columns = [
        Column(
            tuple(draw(st.lists(CHANCE, min_size=1, max_size=2))),
            tuple(draw(st.sampled_from([0.0, 0.3, 0.97])) for _ in range(stages)),
            tuple(draw(CHANCE) for _ in range(stages)),
            draw(MODES),
        )
        for _ in range(draw(st.integers(1, 3)))
    ]
    return columns, outcomes, draw(CHANCE), draw(st.sampled_from([0.0, 0.002]))


def every_candidate(
    columns: list[Column], outcomes: list[Outcome], leak: float, unlisted: float
) -> dict[tuple[tuple[int, int], ...], float]:
    """Every candidate of at most two suspects by the definition: all modes of all suspects, stage by stage."""
    suspects = [(c, k) for c, column in enumerate(columns) for k in range(len(column.odds))]
    out = {}
    for size in range(3):
        for chosen in combinations(suspects, size):
            prior = math.prod(columns[c].odds[k] for c, k in chosen)
            total = 0.0
            for modes in product(*(columns[c].modes for c, _ in chosen)):
                likely = math.prod(share for _, share in modes)
                for stage, outcome in enumerate(outcomes):
                    harm = [columns[c].needs[stage] * (1 - g) for (c, _), (g, _) in zip(chosen, modes, strict=True)]
                    passes = (1 - leak) * math.prod(1 - h for h in harm)
                    fits = sum(h * columns[c].fits[stage] for h, (c, _) in zip(harm, chosen, strict=True))
                    reading = (fits + leak * outcome.surprise) / (sum(harm) + leak)
                    likely *= passes if outcome.passed else (1 - passes) * reading
                total += likely
            out[chosen] = prior * total
    passed = sum(outcome.passed for outcome in outcomes)
    out[()] += unlisted * (1 - leak) ** passed * math.prod(o.surprise for o in outcomes if not o.passed)
    whole = math.fsum(out.values())
    return {chosen: weight / whole for chosen, weight in out.items()}


@settings(max_examples=60)
@given(cases())
def test_as_listing_every_candidate(case: tuple[list[Column], list[Outcome], float, float]) -> None:
    columns, outcomes, leak, unlisted = case
    expected = every_candidate(*case)
    found = diagnose(columns, outcomes, leak, unlisted)
    suspects = [[(c, k) for k in range(len(column.odds))] for c, column in enumerate(columns)]
    assert found.rest == pytest.approx(expected.pop(()))
    diagnoses = found.diagnoses(suspects)
    assert diagnoses == pytest.approx({frozenset(chosen): chance for chosen, chance in expected.items()}, abs=1e-12)
    by_suspect = health(diagnoses.items())
    for names, chances in zip(suspects, found.members, strict=True):
        assert chances == pytest.approx([by_suspect[name] for name in names], abs=1e-12)
    # two at one owner count as that owner alone
    halves = found.diagnoses([["all"] * len(names) for names in suspects])
    assert halves == pytest.approx({frozenset({"all"}): 1 - found.rest})


@settings(max_examples=40)
@given(cases(), st.data())
def test_a_stage_more_passes_or_fails(
    case: tuple[list[Column], list[Outcome], float, float], data: st.DataObject
) -> None:
    # law of total probability: what a stage that has not run leaves open is shared by its two endings
    columns, outcomes, leak, _ = case
    needs = [data.draw(st.sampled_from([0.0, 0.5, 0.97])) for _ in columns]
    wider = [
        Column(one.odds, (*one.needs, need), (*one.fits, 1.0), one.modes)
        for one, need in zip(columns, needs, strict=True)
    ]
    before = diagnose(columns, outcomes, leak)
    ends = [diagnose(wider, [*outcomes, Outcome(passed)], leak) for passed in (True, False)]
    assert sum(end.weight for end in ends) == pytest.approx(before.weight)
    for number, members in enumerate(before.members):
        mixed = [sum(end.weight * end.members[number][k] for end in ends) for k in range(len(members))]
        assert mixed == pytest.approx([before.weight * chance for chance in members], abs=1e-12)


@pytest.mark.parametrize("leak", [0.0, 1.0, math.nan])
def test_a_stage_that_never_or_always_fails_by_itself_is_refused(leak: float) -> None:
    with pytest.raises(ValueError):
        diagnose([], [Outcome(False)], leak)
