"""The packaged catalogue is whole, and a broken one is refused with words that help."""

from __future__ import annotations

import contextlib
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.catalogue import catalogue, parse
from console.causes.evidence import TABLE_CODES, Configured, Evidence, Observation
from console.causes.nextcheck import next_check
from console.causes.rank import belief
from console.errors import InputTrouble

TEXT = resources.files("console.causes").joinpath("catalogue.toml").read_text(encoding="utf-8")


def test_the_packaged_catalogue_is_whole() -> None:
    table = catalogue()
    assert [cause.number for cause in table.causes.values()] == [f"H{n:02}" for n in range(1, 23)]
    assert list(table.checks) == [f"K{n:02}" for n in range(1, 31)]
    assert sum(cause.prior for cause in table.causes.values()) == pytest.approx(1)
    for cause in table.causes.values():
        assert sum(cause.likelihood[code] for code in TABLE_CODES) == pytest.approx(1)
        assert cause.reason
        assert "no source" in cause.provenance
    for check in table.checks.values():
        assert check.caution or check.risk == 0, f"{check.id} has a risk and no caution"
        assert len(check.outcomes) >= 2
        for outcome in check.outcomes:
            assert set(table.outcome(check.id, outcome) or {}) == {*table.causes, "something-else"}


@pytest.mark.parametrize(
    ("old", "new", "key", "found"),
    [
        ("prior = 0.15", 'prior = "much"', "cause wires-uncrossed.prior", "'much'"),
        ("prior = 0.15", "prior = 0", "cause wires-uncrossed.prior", "0"),
        ("prior = 0.15", "prior = nan", "cause wires-uncrossed.prior", "nan"),
        ('row = "--Aururr-"', 'row = "--Auru"', "cause wires-uncrossed.row", "'--Auru'"),
        ('row = "--Aururr-"', 'row = "--AururZ-"', "cause wires-uncrossed.row", "'--AururZ-'"),
        ('id = "no-common-ground"', 'id = "wires-uncrossed"', "cause wires-uncrossed.id", "'wires-uncrossed'"),
        ("risk = 1", "risk = 9", "check K02.risk", "9"),
        ('confirms = ["adapter-dead", "wrong-port"]', 'confirms = ["gremlins"]', "check K02.confirms", "'gremlins'"),
        ('after = ["K09"]', 'after = ["K99"]', "check K10.after", "'K99'"),
        ('"absent", "vanish",', '"vanish", "absent",', "columns", "['vanish', 'absent'"),
        ("A = 0.90", "A = 1.5", "weights.A", "1.5"),
        ("readable = { default = 0.03", "readable = { default = 3", "readable.default", "3"),
        (
            "readable = { default = 0.03",
            "readable = { gremlins = 0.5, default = 0.03",
            "readable.gremlins",
            "'gremlins'",
        ),
        ("explains = { text =", "explains = { song =", "check K18.explains.song", "'song'"),
        ("shows = { text =", "shows = { song =", "check K18.shows.song", "'song'"),
        ('shows = { text = ["readable-text"]', 'shows = { text = ["verse"]', "check K18.shows.text", "'verse'"),
        (
            "outcomes.echoes = { default = 0.985",
            "outcomes.echoes = { default = 0.7",
            "check K02.outcomes",
            "'0.715 as the sum for default'",
        ),
        (
            "cures = { no-common-ground = 0.95",
            "cures = { no-common-ground = 1",
            "repair R02.cures.no-common-ground",
            "1",
        ),
        ("cures = { boot-strap-wrong = 0.9", "cures = { gremlins = 0.9", "check K16.cures.gremlins", "'gremlins'"),
        ('changes = ["strap"]', 'changes = ["moon"]', "check K16.changes", "'moon'"),
        ("reverts = true", 'reverts = "yes"', "check K05.reverts", "'yes'"),
        ("fault_rate = 0.2", "fault_rate = 1.0", "fault_rate", "1.0"),
        ('"vanish", "absent"]\n\n# What', '"vanish", "vanish"]\n\n# What', "dominance", "['ack', 'nack'"),
        ("differs = { default = 0.02", "differs = { default = -1", "differs.default", "-1"),
        ("give_up_minutes = 480", "give_up_minutes = true", "give_up_minutes", "true"),
    ],
)
def test_a_broken_catalogue_is_refused(old: str, new: str, key: str, found: str) -> None:
    assert old in TEXT
    broken = TEXT.replace(old, new, 1)
    with pytest.raises(InputTrouble) as caught:
        parse(broken, "broken.toml")
    line = 1 + next(n for n, (a, b) in enumerate(zip(broken.splitlines(), TEXT.splitlines(), strict=False)) if a != b)
    assert caught.value.where == f"broken.toml, line {line}, {key}"
    assert caught.value.message.startswith(f"{key}: found {found}")
    assert caught.value.help.startswith("write ")


def test_every_cause_can_be_cured_by_some_step() -> None:
    table = catalogue()
    cured = {cause for step in (*table.checks.values(), *table.repairs.values()) for cause in step.cures}
    assert cured == set(table.causes)


def test_heat_always_waits_for_power_and_strap_or_clock() -> None:
    table = catalogue()
    for step in (*table.checks.values(), *table.repairs.values()):
        if step.caution_id == "S09":
            assert "K08" in step.after, step.id
            assert step.risk == 3


def test_the_outcomes_of_every_step_sum_to_one_for_every_cause() -> None:
    table = catalogue()
    for step in (*table.checks.values(), *table.repairs.values()):
        rows = [table.outcome(step.id, outcome) or {} for outcome in step.outcomes]
        for cause in (*table.causes, "something-else"):
            assert sum(row[cause] for row in rows) == pytest.approx(1), (step.id, cause)


def test_a_new_cause_and_a_new_check_need_no_code() -> None:
    more = """
[[cause]]
number = "H99"
id = "gremlins"
title = "gremlins"
prior = 0.5
row = "--A------"
answers = "---"
reason = "they only eat silence"
provenance = "invented for this test"

[[check]]
id = "K99"
title = "offer them a biscuit"
minutes = 0.1
risk = 0
why = "gremlins take it"
confirms = ["gremlins"]
rules_out = []
implied_by = []
cures = { gremlins = 0.9 }
outcomes.answers = { default = 0.01, gremlins = 0.9 }
outcomes.silent = { default = 0.99, gremlins = 0.1 }
"""
    table = parse(TEXT + more)
    silence = Configured(False, (Observation("silence", "silence", 1),))
    evidence = Evidence((silence,), silence)
    check = next_check(evidence, table=table)
    assert check is not None
    assert check.id == "K99"
    assert belief(evidence, table).marginals()["gremlins"] > 0.3


@given(st.integers(0, len(TEXT) - 1), st.integers(1, 200))
def test_a_cut_out_piece_never_ends_in_anything_but_our_error(start: int, length: int) -> None:
    with contextlib.suppress(InputTrouble):
        parse(TEXT[:start] + TEXT[start + length :])
