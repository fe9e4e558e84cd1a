"""Priors from counts against printed Dirichlet updates and a worked bench of twelve repairs."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.belief import model
from console.causes.catalogue import OTHER, catalogue
from console.causes.evidence import Configured, Evidence, Observation
from console.causes.learning import backed_off, independent, learned_chance, learned_priors, posterior_counts
from console.causes.rank import rank


# printed on a public calculator page (Boardflare DM_POST_UPDATE); the fourth in a public question-and-answer page
@pytest.mark.parametrize(
    ("alphas", "counts", "after", "means"),
    [
        ((1, 1, 1), (5, 2, 3), (6, 3, 4), (0.461538, 0.230769, 0.307692)),
        ((10, 4, 6), (12, 8, 5), (22, 12, 11), (0.488889, 0.266667, 0.244444)),
        ((0.8, 1.5, 2, 0.7), (0, 1, 0, 2), (0.8, 2.5, 2, 2.7), (0.1, 0.3125, 0.25, 0.3375)),
        ((1, 1, 1), (10, 3, 4), (11, 4, 5), (0.55, 0.2, 0.25)),
    ],
)
def test_printed_updates(
    alphas: tuple[float, ...], counts: tuple[float, ...], after: tuple[float, ...], means: tuple[float, ...]
) -> None:
    assert posterior_counts(alphas, counts) == pytest.approx(after)
    names = [str(n) for n in range(len(alphas))]
    learned = learned_priors(
        dict(zip(names, alphas, strict=True)), dict(zip(names, counts, strict=True)), worth=sum(alphas)
    )
    assert list(learned.values()) == pytest.approx(means, abs=1e-6)


def test_twelve_repairs_against_a_table_worth_ten() -> None:
    # reasoned priors (common practice, no source); means computed with scipy
    names = ("uncrossed", "strap", "unpowered", "ground", "rx", "tx", "reset", "other")
    priors = dict(zip(names, (0.25, 0.18, 0.14, 0.10, 0.09, 0.09, 0.08, 0.07), strict=True))
    counts = {"uncrossed": 2, "strap": 1, "rx": 6, "tx": 2, "other": 1}
    expected = (0.2045, 0.1273, 0.0636, 0.0455, 0.3136, 0.1318, 0.0364, 0.0773)
    assert list(learned_priors(priors, counts).values()) == pytest.approx(expected, abs=1e-4)


def test_a_beta_update() -> None:
    assert learned_chance(0.2, 3, 4, worth=10) == pytest.approx(5 / 14)  # Beta(2, 8) and 3 of 4


def test_a_narrow_history_leans_on_the_whole_bench() -> None:
    pooled = {"rx": 0.30, "uncrossed": 0.25, "strap": 0.25, "other": 0.20}
    found = backed_off({"rx": 4, "strap": 1}, pooled, 5)
    assert list(found.values()) == pytest.approx([0.55, 0.125, 0.225, 0.10])


def test_what_one_design_says_to_all() -> None:
    assert independent(0, 0.3) == 0
    assert independent(1, 0.3) == 1  # the first case counts whole
    # a = 10 * 0.1 = 1: the harmonic numbers, H(4) = 25/12
    assert independent(4, 0.1, 10) == pytest.approx(25 / 12)


def test_a_bench_that_keeps_finding_one_joint_ranks_it_first() -> None:
    silence = Configured(False, (Observation("silence", "silence", 1),))
    evidence = Evidence((silence,), silence)
    learned = learned_priors(catalogue().priors(), {"board-rx-open": 12})
    assert rank(evidence)[0].id == "wires-uncrossed"
    assert rank(evidence, learned)[0].id == "board-rx-open"


@given(st.dictionaries(st.sampled_from([*catalogue().causes, OTHER, "nobody"]), st.floats(0, 1e6)))
def test_learned_priors_are_always_usable(counts: dict[str, float]) -> None:
    learned = learned_priors(catalogue().priors(), counts)
    assert sum(learned.values()) == pytest.approx(1)
    assert all(0 < value < 1 for value in learned.values())
    assert sum(model(catalogue()).prior(learned)) == pytest.approx(1)


@pytest.mark.parametrize("alphas", [(0, 1), (-1, 2), (float("nan"), 1)])
def test_a_start_that_is_no_start_is_refused(alphas: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match="starts"):
        posterior_counts(alphas, (1, 1))
