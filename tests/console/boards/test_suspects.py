"""What to look at when a plan stops: who is first, who is cleared, what is said. Cases of our own, reasoned by hand.

The arithmetic is checked against published and enumerated cases in test_candidates.py.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.boards.circuit import Circuit, Pin
from console.boards.defects import defects
from console.boards.faults import Kind, possible_faults
from console.boards.stagerun import Board, Exercises, Implication, PartClass, StageRun
from console.boards.suspects import Suspects, suspects
from tests.console.boards.bench_board import BOARD, CLASSES, PINS, SERIAL, SPI, ran, row

TABLE = defects()
FAULTS = possible_faults(BOARD, TABLE)


def look(*runs: StageRun) -> Suspects:
    return suspects(BOARD, runs, TABLE, FAULTS)


def chances(found: Suspects) -> dict[str, float]:
    """By pins, or by part where there are none."""
    return {
        "-".join(pin.ref for pin in item.pins) or f"{group.part} {item.kind}": item.probability
        for group in found.groups
        for item in group.items
    }


SERIAL_PASSED = ran("loader answers", True, SERIAL)
SPI_FAILED = ran("flash identifies", False, SPI)


def test_nothing_while_nothing_failed() -> None:
    assert look() == look(SERIAL_PASSED) == Suspects((), 0.0)
    assert look(ran("flash identifies", None, SPI)).groups == ()


def test_what_only_the_failed_stage_needs_comes_before_what_passed() -> None:
    found = look(SERIAL_PASSED, SPI_FAILED)
    by_name = chances(found)
    assert found.groups[0].part in ("U1", "U2")
    # joints in the failed stage alone, against the supply joint that both stages need
    assert by_name["U1.3"] > 5 * by_name["U3.5"]
    # the serial lines are not in it at all
    assert "U1.7" not in by_name
    assert "U4.1" not in by_name
    # the other chip was never in a passed stage
    assert by_name["U2 part"] > 5 * by_name["U1 part"]


def test_a_passed_stage_does_not_clear_altogether() -> None:
    found = look(ran("flash answers", True, SPI), SPI_FAILED)
    assert 0 < chances(found)["U2.2"] < 1


def test_what_passes_five_times_and_then_fails_comes_and_goes() -> None:
    passed = [ran(f"flash answers {n}", True, SPI) for n in range(5)]
    assert look(*passed, SPI_FAILED).fewest is None
    assert look(SPI_FAILED).fewest == 1


def test_each_suspect_says_what_speaks_for_and_against_it() -> None:
    found = look(SERIAL_PASSED, SPI_FAILED, ran("other", False, Exercises(frozenset({"U4"}))))
    every = {item.title: item.why for item in found.items()}
    cs = next(why for title, why in every.items() if title.startswith("U1.3:"))
    assert "flash identifies failed and needs it" in cs
    assert "against: other failed and does not need it" in cs
    supply = next(why for title, why in every.items() if title.startswith("+3V3:"))
    assert "against: loader answers passed and needs it" in supply
    assert all(why for why in every.values())


def test_a_stage_that_did_not_run_changes_nothing() -> None:
    assert look(SERIAL_PASSED, SPI_FAILED) == look(SERIAL_PASSED, SPI_FAILED, ran("later", None, SERIAL))


@pytest.mark.parametrize(("net", "joints"), [("MISO", {"U1.5", "U2.2"}), ("SCK", {"U1.4", "U2.6"})])
def test_a_reading_singles_out_a_line(net: str, joints: set[str]) -> None:
    reading = Implication(f"{net} always low", nets={net: 0.9}, otherwise=0.02)
    found = look(SERIAL_PASSED, ran("flash identifies", False, SPI, evidence=reading))
    first = sorted(chances(found).items(), key=lambda item: -item[1])[:4]
    assert all(joints & set(name.split("-")) for name, _ in first)
    assert f"{net} always low at flash identifies fits" in next(iter(found.items())).why


def test_joined_lines_point_at_the_bridge() -> None:
    reading = Implication("both bits equal", joined={frozenset({"SCK", "MISO"}): 0.9}, otherwise=0.01)
    found = look(SERIAL_PASSED, ran("flash identifies", False, SPI, evidence=reading))
    first = next(iter(found.items()))
    assert first.kind is Kind.BRIDGE
    assert {pin.net for pin in first.pins} == {"SCK", "MISO"}


NAMING = replace(SPI, names=frozenset({"U2"}))


def test_another_part_that_says_so_comes_first_and_one_that_said_its_name_is_cleared() -> None:
    reading = Implication("another's value", others={"U2": 0.5}, otherwise=1e-6)
    found = look(SERIAL_PASSED, ran("flash identifies", False, NAMING, evidence=reading))
    first = next(found.items())
    assert (first.kind, first.key) == (Kind.OTHER, "other part U2")
    assert first.probability > 0.9
    assert "flash identifies failed and reads which part it is" in first.why
    before = ran("flash identified", True, NAMING)
    again = look(SERIAL_PASSED, before, ran("flash identifies", False, NAMING, evidence=reading))
    other = next(item for item in again.items() if item.kind is Kind.OTHER)
    assert other.probability < first.probability
    assert "against: flash identified passed and reads which part it is" in other.why


def test_a_stage_without_an_answer_is_no_sign_of_another_part() -> None:
    found = look(SERIAL_PASSED, ran("flash identifies", False, NAMING))
    assert all(item.kind is not Kind.OTHER for item in found.items())


def test_what_was_looked_at_goes_back_but_not_away() -> None:
    before = look(SERIAL_PASSED, SPI_FAILED)
    first = next(before.items())
    after = suspects(BOARD, [SERIAL_PASSED, SPI_FAILED], TABLE, FAULTS, cleared=[first.key])
    again = {item.key: item for item in after.items()}
    assert next(after.items()).key != first.key
    missed = next(fault.defect.missed for fault in FAULTS if fault.key == first.key)
    # Bayes by hand: looking misses such a fault with that chance
    odds = {found: item.probability / found.other for found, item in ((before, first), (after, again[first.key]))}
    assert odds[after] == pytest.approx(odds[before] * missed, rel=0.05)
    assert after.other > before.other
    assert suspects(BOARD, [SPI_FAILED], TABLE, FAULTS, cleared=["open joint U99.1"]) == look(SPI_FAILED)


def test_two_faults_are_named_together() -> None:
    one_side, other_side = ([f"{letter}{n}" for n in range(8)] for letter in "AB")
    pins = [*row("U1", 0, 0, 2.0, *one_side, *other_side), *row("U2", 0, 9, 2.0, *one_side)]
    board = Board(Circuit([*pins, *row("U3", 30, 9, 2.0, *other_side)]))
    one, other = (
        ran(net, False, Exercises(frozenset({ref}), frozenset({net}))) for net, ref in (("A*", "U2"), ("B*", "U3"))
    )
    passed = [ran(f"both {n}", True, Exercises(frozenset({"U1"}))) for n in range(3)]
    found = suspects(board, [one, other, *passed])
    assert found.fewest == 2
    assert found.explanations[0].parts == {"U2", "U3"}
    assert suspects(board, [one]).fewest == 1


def test_hidden_pads_are_suspected_more_and_take_longer_to_be_sure_of() -> None:
    def joint(visible: bool) -> tuple[float, float]:
        classes = CLASSES | {"U2": PartClass("U2", visible=visible)}
        found = suspects(Board(BOARD.circuit, classes), [SPI_FAILED])
        item = next(item for item in found.items() if [pin.ref for pin in item.pins] == ["U2.2"])
        return item.probability, item.minutes

    seen, hidden = joint(True), joint(False)
    assert hidden[0] > 2 * seen[0]
    assert hidden[1] > 2 * seen[1]


def test_visits_say_how_to_get_there_and_how_long_they_take() -> None:
    found = look(SERIAL_PASSED, SPI_FAILED)
    first, then = found.groups[0], next(group for group in found.groups if group.part in ("U1", "U2") and group.nets)
    assert first.nets == ()
    assert set(then.nets) >= {"CS", "SCK", "MISO", "MOSI"}
    assert any(f"from {first.part}" in line for line in then.why)
    assert first.minutes == pytest.approx(TABLE.opening_min + sum(item.minutes for item in first.items))
    assert first.spectrum.failed_used == 1
    joint = next(item for item in found.items() if [pin.ref for pin in item.pins] == ["U1.4"])
    assert "SCK" in joint.how_to_look
    assert joint.caution_id == "S01"
    assert joint.caution


def test_the_rest_is_one_figure() -> None:
    wide = [*row("U1", 0, 0, 0.5, *(f"N{n}" for n in range(90))), *row("U2", 0, 9, 0.5, *(f"N{n}" for n in range(90)))]
    found = suspects(Board(Circuit(wide)), [ran("all", False, Exercises(nets=frozenset({"N*"})))])
    assert len(list(found.items())) == 100
    assert found.unlisted > 0.1
    assert found.other > 0


def test_a_stage_that_says_nothing_of_what_it_uses_is_told() -> None:
    found = look(ran("mystery", False, Exercises()))
    assert found.groups == ()
    assert found.other == pytest.approx(1)
    assert found.fewest is None
    assert any("mystery" in note for note in found.notes)


def test_pads_without_a_place_are_told() -> None:
    pins = [*PINS, Pin("U9", "1", "SCK")]
    found = suspects(Board(Circuit(pins), CLASSES), [SPI_FAILED])
    assert any(note.startswith("pads without a place: 1 of") for note in found.notes)


def test_names_from_outside_are_made_safe() -> None:
    evil = "A\x1b[31m\u202e"
    pins = [*row("U1", 0, 0, 0.5, evil, "B" + evil), *row("U2" + evil, 0, 5, 0.5, evil, "B" + evil)]
    reading = Implication("says" + evil, nets={evil: 0.9})
    run = ran("stage" + evil, False, Exercises(nets=frozenset({"*"})), evidence=reading)
    found = suspects(Board(Circuit(pins)), [run, ran("ok" + evil, True, Exercises(frozenset({"U1"})))])
    words = [word for group in found.groups for word in group.why] + list(found.notes)
    words += [word for item in found.items() for word in (item.title, item.how_to_look, *item.why)]
    assert words
    assert all(word.isprintable() for word in words)


def test_one_board_of_two_hundred_parts_stays_finite() -> None:
    pins = [pin for n in range(50) for pin in row(f"U{n}", 3 * n, 0, 0.5, *(f"N{(n + k) % 50}" for k in range(4)))]
    runs = [ran(f"s{n}", n % 7 != 3, Exercises(frozenset({f"U{n}", f"U{n + 1}"}))) for n in range(0, 49, 2)]
    found = suspects(Board(Circuit(pins)), runs)
    assert all(0 < item.probability < 1 for item in found.items())


RUNS = st.lists(
    st.builds(
        StageRun,
        st.sampled_from(["a", "b"]),
        st.sampled_from([True, False, None]),
        st.builds(
            Exercises,
            st.frozensets(st.sampled_from([*BOARD.circuit.parts, "U9"]), max_size=3),
            st.frozensets(st.sampled_from([*BOARD.circuit.nets, "*", "R*"]), max_size=3),
            st.frozensets(st.sampled_from(["U1.3", "R1.1", "U9.9"]), max_size=2),
        ),
        st.none() | st.just(Implication("one bit", nets={"SCK": 0.5}, parts={"U2": 1.0})),
    ),
    max_size=6,
)


@settings(max_examples=40, deadline=None)
@given(RUNS)
def test_never_certain_and_each_suspect_once(runs: list[StageRun]) -> None:
    found = look(*runs)
    failed = any(run.passed is False for run in runs)
    titles = [item.title for item in found.items()]
    assert len(titles) == len(set(titles))
    assert all(0 < item.probability < 1 and item.minutes > 0 for item in found.items())
    assert all(0 <= group.probability < 1 and group.items for group in found.groups)
    assert (found.other > 0) == failed
    assert found.other <= 1 + 1e-9
    assert sum(explanation.probability for explanation in found.explanations) + found.other <= 1 + 1e-9


@settings(max_examples=30, deadline=None)
@given(RUNS, st.integers(0, 5))
def test_one_more_passed_stage_never_makes_its_joints_more_likely_against_none_of_the_known(
    runs: list[StageRun], which: int
) -> None:
    kept = [replace(run, passed=False) if n == 0 else run for n, run in enumerate(runs)]
    before, after = look(*kept), look(*kept, ran("again", True, SPI))
    if not before.groups or not after.groups:
        return
    joints = ("U1.3", "U1.4", "U2.1", "U2.2", "U2.5", "U2.6")
    first, second = chances(before).get(joints[which]), chances(after).get(joints[which])
    if first is not None and second is not None:
        assert second / after.other <= first / before.other * (1 + 1e-9)
