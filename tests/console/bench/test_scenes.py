"""The scenes file: what is in it, and what a wrong one is told."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench.scenes import fault, faults, load, scenes, setup_for, with_fault
from console.bench.setup import Setup
from console.errors import InputTrouble, UsageTrouble


def test_every_fault_changes_something_and_every_scene_stands() -> None:
    for each in faults():
        assert with_fault(Setup(), each) != Setup(), each.id
    for each in scenes():
        assert (setup_for(each.name) == Setup()) == (not each.faults)
    assert setup_for() == Setup()
    assert not setup_for("tern-07").wiring.crossed
    assert setup_for("tern-07", ("readout-protected",)).readout_protected
    assert setup_for("tern-07", chip="f40x") == replace(setup_for("tern-07"), product="f40x")


@pytest.mark.parametrize(
    ("ask", "code"),
    [(lambda: setup_for("x\x1b"), "scene"), (lambda: fault("x"), "fault"), (lambda: setup_for(chip="x\x1b"), "chip")],
)
def test_unknown_names_are_refused_with_the_known_ones(ask: object, code: str) -> None:
    with pytest.raises(UsageTrouble) as refused:
        ask()  # type: ignore[operator]
    assert refused.value.code == code
    assert "\x1b" not in str(refused.value)
    assert {"scene": "tern-07", "fault": "wires-uncrossed", "chip": "f40x"}[code] in refused.value.help


FAULT = '[[fault]]\nid = "a"\ntitle = "b"\nset = {}\n'


@pytest.mark.parametrize(
    ("text", "where", "found"),
    [
        ("x = [", "f.toml", "not TOML"),
        ("odd = 1", "line 1, odd", "odd"),
        ("fault = 1", "line 1, fault", "1"),
        ('[[fault]]\nid = "a"', "line 1, fault a.set", "is missing"),
        ('[[fault]]\nid = ""\nset = {}', "line 2, fault 1.id", "''"),
        ('[[fault]]\nid = "a"\ntitle = "b"\nset = {colour = 1}', "line 4, fault a.set.colour", "colour"),
        ('[[fault]]\nid = "a"\ntitle = "b"\nset = {crossed = 1}', "line 4, fault a.set.crossed", "1"),
        ('[[fault]]\nid = "a"\ntitle = "b"\nset = {rate_error = nan}', "line 4, fault a.set.rate_error", "nan"),
        ('[[fault]]\nid = "a"\ntitle = "b"\nset = {rate_error = 2}', "line 4, fault a.set.rate_error", "2"),
        ('[[fault]]\nid = "a"\ntitle = "b"\nset = {chip = "ajar"}', "line 4, fault a.set.chip", "ajar"),
        ('[[fault]]\nid = "a"\ntitle = "b"\nflaw = "open-pin:pin=U4.99"', "line 4, fault a.flaw", "U4.99"),
        ('[[fault]]\nid = "a"\ntitle = "b"\nset = {adapter_frame = "9X9"}', "line 4, fault a.set.adapter_frame", "9X9"),
        (FAULT + FAULT, "line 6, fault a.id", "'a'"),
        (FAULT + '[[scene]]\nname = "s"\ntitle = "t"\nstory = "u"\nfaults = ["z"]', "line 9, scene s.faults", "z"),
        ('[[scene]]\nname = "s"\ntitle = "t\\u001b"', "line 3, scene s.title", "x1b"),
    ],
)
def test_a_wrong_file_is_told_where_and_what(text: str, where: str, found: str) -> None:
    with pytest.raises(InputTrouble) as refused:
        load(text, "f.toml")
    told = "\n".join(refused.value.lines())
    assert "f.toml" in told
    assert found in told
    assert where in told
    assert refused.value.help


@given(st.text(max_size=80))
def test_any_text_is_a_book_or_an_input_trouble(text: str) -> None:
    try:
        book = load(text, "f.toml")
    except InputTrouble:
        return
    assert not book.faults
