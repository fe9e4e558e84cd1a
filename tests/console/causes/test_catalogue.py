"""The packaged catalogue is whole, and a broken one is refused with words that help."""

from __future__ import annotations

import contextlib
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.catalogue import catalogue, parse
from console.causes.observation import TABLE_CODES
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
        ('confirms = ["adapter-dead"]', 'confirms = ["gremlins"]', "check K02.confirms", "'gremlins'"),
        ('after = ["K09"]', 'after = ["K99"]', "check K10.after", "'K99'"),
        ('"absent", "vanish",', '"vanish", "absent",', "columns", "['vanish', 'absent'"),
        ("A = 0.90", "A = 1.5", "weights.A", "1.5"),
    ],
)
def test_a_broken_catalogue_is_refused(old: str, new: str, key: str, found: str) -> None:
    assert old in TEXT
    with pytest.raises(InputTrouble) as caught:
        parse(TEXT.replace(old, new, 1), "broken.toml")
    assert caught.value.where == f"broken.toml, {key}"
    assert caught.value.message.startswith(f"{key}: found {found}")
    assert caught.value.help.startswith("write ")


@given(st.integers(0, len(TEXT) - 1), st.integers(1, 200))
def test_a_cut_out_piece_never_ends_in_anything_but_our_error(start: int, length: int) -> None:
    with contextlib.suppress(InputTrouble):
        parse(TEXT[:start] + TEXT[start + length :])
