"""The packaged table of the plug watch is whole, and a broken one is refused with words that help."""

from __future__ import annotations

import contextlib
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.catalogue import catalogue
from console.causes.plug_table import SIGNS, parse, plug_table
from console.errors import InputTrouble

TEXT = resources.files("console.causes").joinpath("plug.toml").read_text(encoding="utf-8")


def test_the_packaged_table_is_whole():
    table = plug_table()
    assert tuple(table.signs) == SIGNS
    assert sum(cause.prior for cause in table.causes.values()) == pytest.approx(1)
    for entry in (*table.causes.values(), *table.signs.values()):
        assert "common practice, no source" in entry.provenance  # every number here is reasoned
        assert entry.reason
    assert all(step.caution for step, _ in table.steps if step.risk)


def test_causes_that_the_catalogue_knows_keep_their_title():
    shared = plug_table().causes.keys() & catalogue().causes.keys()
    assert shared == {"bridge-clock-dead", "supply-shorted"}
    for id in shared:
        assert plug_table().causes[id].title == catalogue().causes[id].title


@pytest.mark.parametrize(
    ("old", "new", "key", "found"),
    [
        ("prior = 0.25", "prior = 0", "prior", "0"),
        ('id = "usb-socket"', 'id = "cable-damaged"', "id", "cable-damaged"),
        ('id = "two-sockets"', 'id = "three-sockets"', "id", "three-sockets"),
        ('id = "two-sockets"', 'id = "loop"', "id", "loop"),
        ("chance = { default = 0.95, usb-socket = 0.03 }", "chance = { default = 0.95, usb = 0.03 }", "usb", "usb"),
        ("chance = { default = 0.95, usb-socket = 0.03 }", "chance = { usb-socket = 0.03 }", "default", "is missing"),
        ('settles = ["usb-socket"]', 'settles = ["usb"]', "settles", "usb"),
        ('settles = ["usb-socket"]', "settles = []", "settles", "''"),
        ('settles = ["usb-socket"]', 'settles = ["usb-data-pair"]', "step", "other-socket"),
        ("minutes = 0.3\nrisk = 0", "minutes = 0.3\nrisk = 4", "risk", "4"),
        ("minutes = 0.3\nrisk = 0", "minutes = 0.3\nrisk = 1", "caution", "is missing"),
        ("minutes = 0.3", "minutes = 0", "minutes", "0"),
    ],
)
def test_a_broken_table_is_refused(old, new, key, found):
    assert old in TEXT
    with pytest.raises(InputTrouble) as caught:
        parse(TEXT.replace(old, new, 1), "plug.toml")
    assert found in caught.value.message
    assert key in caught.value.where
    assert "line" in caught.value.where
    assert caught.value.help


def test_a_missing_sign_is_named():
    head, _, rest = TEXT.partition('[[sign]]\nid = "two-sockets"')
    with pytest.raises(InputTrouble) as caught:
        parse(head + rest[rest.index("[[step]]") :])
    assert "two-sockets" in caught.value.help


@given(st.integers(0, len(TEXT)), st.integers(0, 400))
def test_a_cut_out_piece_never_ends_in_anything_but_our_error(start, length):
    with contextlib.suppress(InputTrouble):
        parse(TEXT[:start] + TEXT[start + length :])
