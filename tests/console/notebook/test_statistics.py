"""Yield, times against the sisters, similar cases and learned priors, against numbers from elsewhere."""

from __future__ import annotations

import math
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.catalogue import catalogue
from console.causes.learning import learned_priors
from console.errors import Outcome
from console.notebook import statistics
from console.notebook.entry import BY_TOOL, Fix
from console.notebook.history import UNKNOWN, BoardRun, Case, Confirmed, Design, StageTime
from console.notebook.statistics import (
    against,
    designs,
    first_pass,
    in_the_end,
    past_of,
    places,
    priors_for,
    robust_z,
    shrinkage,
    similar,
    times,
)


def test_first_pass_counts_boards_not_sessions() -> None:
    ok, bad = Outcome.OK, Outcome.NO_ANSWER
    runs = [BoardRun("a", ok, ok), BoardRun("b", bad, ok), BoardRun("c", bad, bad), BoardRun("d", ok, bad)]
    assert (first_pass(runs).hits, first_pass(runs).of) == (2, 4)
    assert (in_the_end(runs).hits, in_the_end(runs).of) == (2, 4)


def test_the_factors_of_the_robust_z() -> None:
    # a normal distribution's MAD is its upper quartile, its mean absolute deviation sqrt(2 / pi) (textbook)
    assert pytest.approx(NormalDist().inv_cdf(0.75), abs=5e-5) == statistics._MAD_SHARE
    assert pytest.approx(math.sqrt(math.pi / 2), abs=5e-7) == statistics._MEAN_FACTOR


def test_robust_z_of_a_known_set() -> None:
    # set and 3.5 from Iglewicz and Hoaglin (from memory); scipy 1.17.1 median_abs_deviation gives 0.15 about 2.45
    values = [2.1, 2.6, 2.4, 2.5, 2.3, 2.1, 2.3, 2.6, 8.2, 8.3]
    found = [robust_z(value, values) for value in values]
    assert found[-1] == pytest.approx((8.3 - 2.45) * 0.6745 / 0.15)
    assert [abs(z) > 3.5 for z in found] == [False] * 8 + [True] * 2


def test_where_most_are_equal_the_mean_deviation_steps_in() -> None:
    assert robust_z(5, [1, 1, 1, 1, 3]) == pytest.approx(4 / (1.253314 * 0.4))
    assert robust_z(1, [1, 1, 1]) == 0
    assert robust_z(2, [1, 1, 1]) == math.inf
    assert robust_z(0, [1, 1, 1]) == -math.inf


@given(st.lists(st.floats(1e-3, 1e3), min_size=1, max_size=30), st.floats(1e-3, 1e3), st.floats(0.1, 10))
def test_robust_z_does_not_care_about_the_unit(others: list[float], value: float, factor: float) -> None:
    one, two = robust_z(value, others), robust_z(value * factor, [other * factor for other in others])
    assert math.copysign(1, one) == math.copysign(1, two) or abs(one) < 1e-6
    if math.isfinite(one) and math.isfinite(two) and abs(one) < 1e6:
        assert two == pytest.approx(one, rel=1e-3, abs=1e-6)


def rows(*seconds: float, stage: str = "sync", baud: int = 115200) -> list[StageTime]:
    return [StageTime(f"tern-{n:02}", stage, baud, value) for n, value in enumerate(seconds, 1)]


def test_a_slow_board_stands_out_among_its_sisters_at_the_same_rate() -> None:
    table = rows(0.30, 0.31, 0.30, 0.32, 0.31, 0.90) + rows(3, 3, 3, baud=9600)
    (slow,) = against("tern-06", table)
    assert (slow.sisters, slow.median_s) == (5, 0.31)
    assert slow.odd
    assert not any(one.odd for one in against("tern-01", table))
    few = against("tern-01", table)[1]
    assert (few.baud, few.sisters, few.z, few.odd) == (9600, 2, None, False)  # two sisters prove nothing
    assert against("nobody", table) == ()
    alone = against("tern-01", rows(1))
    assert (alone[0].median_s, alone[0].z) == (None, None)
    first, second = times(table)
    assert (first.stage, first.baud, first.boards, first.median_s) == ("sync", 115200, 6, 0.31)
    assert first.mad_s == pytest.approx(0.01)
    assert (second.boards, second.median_s, second.mad_s) == (3, 3, 0)


def case(session: int, board: str, place: str, stop: str = "sync", codes: str = "silence") -> Case:
    fix = Fix("board-rx-open", part=place) if place else None
    return Case(session, board, stop, frozenset(codes.split()), fix)


def test_similar_cases_count_boards() -> None:
    table = [
        case(1, "a", "U4"), case(2, "b", "U4"), case(3, "c", "U4"), case(4, "d", "Y1"),
        case(5, "a", "U4"),  # the same board again
        case(6, "e", ""), case(7, "a", ""),  # no confirmed fix; a had one
        case(8, "f", "U4", stop="identify"), case(9, "g", "U4", codes="silence low"), case(10, "h", "U4"),
    ]  # fmt: skip
    found = similar("sync", frozenset({"silence"}), table, without=10)
    assert found.fixed_at == (("U4", 3), ("Y1", 1))
    assert (found.fixed, found.unsolved) == (4, 1)


def test_without_a_part_the_cause_is_the_place_and_nameless_boards_are_each_their_own() -> None:
    fix = Fix("wires-uncrossed")
    found = similar("sync", frozenset(), [Case(n, "", "sync", frozenset(), fix) for n in (1, 2)])
    assert (found.fixed_at, found.fixed) == ((("wires-uncrossed", 2),), 2)


def fixes(design: Design = UNKNOWN, **causes: int) -> list[Confirmed]:
    return [Confirmed(Fix(cause), design) for cause, count in causes.items() for _ in range(count)]


def test_twelve_repairs_move_the_table() -> None:
    # reasoned priors worth ten repairs; means computed with scipy
    names = ("uncrossed", "strap", "unpowered", "ground", "rx", "tx", "reset", "other")
    priors = dict(zip(names, (0.25, 0.18, 0.14, 0.10, 0.09, 0.09, 0.08, 0.07), strict=True))
    found = {row.cause: row for row in shrinkage(priors, fixes(uncrossed=2, strap=1, rx=6, tx=2, other=1))}
    used = (0.2045, 0.1273, 0.0636, 0.0455, 0.3136, 0.1318, 0.0364, 0.0773)
    assert [found[name].used for name in names] == pytest.approx(used, abs=5.1e-5)
    assert (found["rx"].table, found["rx"].share) == (pytest.approx(0.09), 0.5)
    assert next(iter(found)) == "rx"
    assert {row.share for row in shrinkage(priors, ())} == {None}


def test_what_is_used_lies_between_the_table_and_the_bench() -> None:
    for row in shrinkage(catalogue().priors(), fixes(**{"board-rx-open": 4, "target-dead": 1, "unheard-of": 9})):
        assert row.share is not None
        assert min(row.table, row.share) - 1e-12 <= row.used <= max(row.table, row.share) + 1e-12


TERN, GULL = Design("tern", "B"), Design("gull", "A")


def test_a_design_leans_on_the_others_and_those_on_the_table() -> None:
    table = {"rx": 0.25, "tx": 0.25, "strap": 0.5}
    told = [*fixes(GULL, rx=2, tx=1), *fixes(TERN, rx=3, strap=1)]
    # by hand: of gull's two rx one and 2.5 / (2.5 + 1) speak for all designs, of its one tx just that one
    rx = 1 + 2.5 / 3.5
    others = (10 * 0.25 + rx) / (10 + rx + 1)
    found = priors_for(table, told, TERN)
    assert found["rx"] == pytest.approx((3 + 10 * others) / (4 + 10))
    assert sum(found.values()) == pytest.approx(1)
    rows = {row.cause: row for row in shrinkage(table, told, TERN)}
    assert (rows["rx"].confirmed, rows["rx"].own, rows["rx"].used) == (5, 3, found["rx"])


def test_a_fix_moves_its_own_design_more_than_another() -> None:
    table = {"rx": 0.07, "tx": 0.93}
    told = fixes(GULL, rx=12)
    own, other = priors_for(table, told, GULL)["rx"], priors_for(table, told, TERN)["rx"]
    assert own == pytest.approx((12 + 0.7) / 22)  # leans on the table alone: nobody else had a fix
    assert 0.07 < other < own / 2
    # where nobody says a design all boards are one, as the plain Dirichlet update has it
    assert priors_for(table, fixes(rx=12), UNKNOWN) == pytest.approx(learned_priors(table, {"rx": 12}))


@given(
    st.lists(st.tuples(st.sampled_from([UNKNOWN, TERN, GULL]), st.sampled_from(["rx", "tx", "nobody"])), max_size=30)
)
def test_priors_stay_priors(told: list[tuple[Design, str]]) -> None:
    some = [Confirmed(Fix(cause), design) for design, cause in told]
    for design in (UNKNOWN, TERN, GULL):
        found = priors_for({"rx": 1.0, "tx": 3.0}, some, design)
        assert sum(found.values()) == pytest.approx(1)
        assert all(0 < value < 1 for value in found.values())


def test_parts_are_known_only_within_their_design() -> None:
    runs = [BoardRun(f"t{n}", Outcome.OK, Outcome.OK, TERN) for n in range(4)]
    runs += [BoardRun("old", Outcome.OK, Outcome.OK, Design("tern", "A")), BoardRun("g", Outcome.OK, Outcome.OK, GULL)]
    fix = Fix(part="U6", joint="2", by=BY_TOOL)
    told = [Confirmed(fix, TERN)] * 2 + [Confirmed(fix, Design("tern", "A")), Confirmed(fix, GULL)]
    past = past_of(TERN, runs, told)
    assert (past.boards, len(past.here), past.all_boards, len(past.all_mended)) == (4, 2, 5, 3)
    assert past_of(UNKNOWN, runs, told).all_boards == 0
    (place,) = places(TERN, runs, told)
    assert (place.words, place.rate.hits, place.rate.of) == ("U6 joint 2", 2, 4)
    # Beta update by hand: 0.004 worth 100 boards, then 2 of 4
    assert place.used == pytest.approx((0.004 * 100 + 2) / 104)
    assert designs(runs) == {GULL: 1, Design("tern", "A"): 1, TERN: 4}


def test_another_designs_part_is_no_place_to_look() -> None:
    seen = frozenset({"silence"})
    table = [
        Case(1, "a", "sync", seen, Fix("board-rx-open", "U4"), TERN),
        Case(2, "b", "sync", seen, Fix("board-rx-open", "U9"), GULL),
        Case(3, "c", "sync", seen, Fix(part="U9"), GULL),
    ]
    found = similar("sync", seen, table, design=TERN)
    assert (found.fixed_at, found.fixed, found.unsolved) == ((("U4", 1), ("board-rx-open", 1)), 2, 0)
