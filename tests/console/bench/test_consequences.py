"""What is wrong at a joint shows where a person would meet it: at the port, on the line, in the chip, to the eyes."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from console.bench import hands, meter, oracle, tern
from console.bench.board import Board
from console.bench.consequences import boots, wired
from console.bench.oracle import Staged
from console.bench.scenes import setup_for
from console.bench.setup import Mode, Setup
from console.bench.signs import unseen
from console.bench.wiring import Adapter, Fitted, Joint, Stuck


def staged(*flaws: str) -> Setup:
    return setup_for(None, flaws)


def opened(*pins: str) -> Setup:
    return staged(*(f"open-pin:pin={pin}" for pin in pins))


def bridged(a: str, b: str) -> Setup:
    return staged(f"bridge-pins:a={a},b={b}")


def wakes(setup: Setup) -> bool:
    return oracle.wakes(Staged(setup, Mode.ROM), starts=True)


def test_a_good_board_is_as_it_was() -> None:
    assert wired(Setup()) == Setup().wiring
    assert boots(Setup())
    assert wakes(Setup())


@pytest.mark.parametrize("pin", tern.TX_LINE)
def test_every_joint_of_the_boards_tx_line_silences_it(pin: str) -> None:
    assert wired(opened(pin)).tx_joint is Joint.OPEN
    assert not wakes(opened(pin))


@pytest.mark.parametrize("pin", tern.RX_LINE)
def test_every_joint_of_the_boards_rx_line_silences_it(pin: str) -> None:
    assert wired(opened(pin)).rx_joint is Joint.OPEN
    assert not wakes(opened(pin))


@pytest.mark.parametrize(
    ("setup", "adapter"),
    [
        (opened("J1.1"), Adapter.ABSENT),
        (opened("U1.6"), Adapter.ABSENT),
        # USB 2.0 s.7.1.5.1: a full-speed device is known by its pull-up on D+
        (opened("J1.3"), Adapter.ABSENT),
        (opened("U1.4"), Adapter.ABSENT),
        # D- alone: it is seen and cannot be spoken to
        (opened("U1.5"), Adapter.NO_CLOCK),
        (bridged("U1.4", "U1.5"), Adapter.NO_CLOCK),
        (bridged("J1.1", "J1.2"), Adapter.NO_CLOCK),
        (staged("dead-part:part=U1"), Adapter.ABSENT),
        (staged("dead-part:part=U2"), Adapter.ABSENT),
        (opened("U1.2"), Adapter.GOOD),  # two pins share the supply
        (opened("J1.4"), Adapter.GOOD),
        (bridged("U4.8", "U4.9"), Adapter.GOOD),  # it browns out: the loop takes the port away in time
    ],
)
def test_whether_the_bridge_shows_up(setup: Setup, adapter: Adapter) -> None:
    assert wired(setup).adapter is adapter


@pytest.mark.parametrize(
    ("pins", "lives"),
    [
        (("U4.24",), True),
        (("U4.24", "U4.36", "U4.48"), False),
        (("U4.9",), False),  # RM0008 s.5.2.1, from memory: reset is held while VDDA is low
        (("U4.8", "U4.23", "U4.35"), True),
        (("U4.8", "U4.23", "U4.35", "U4.47"), False),
        (("U4.7", "R5.1", "SW1.1", "R4.1", "R7.2"), True),  # the chip has a pull-up of its own at its reset
    ],
)
def test_whether_the_chip_lives(pins: tuple[str, ...], lives: bool) -> None:
    assert boots(opened(*pins))
    assert wired(opened(*pins)).runs is lives
    assert (wired(opened(*pins)).chip is Fitted.GOOD) is lives


@pytest.mark.parametrize(
    ("a", "b", "what", "value"),
    [
        ("U4.30", "U4.35", "tx_stuck", Stuck.LOW),
        ("U4.30", "U4.36", "tx_stuck", Stuck.HIGH),
        ("U1.15", "U1.16", "tx_stuck", Stuck.HIGH),  # an output beats one behind 470 ohm
        ("U4.31", "U4.35", "rx_stuck", Stuck.LOW),
        ("U4.30", "U4.31", "rx_stuck", Stuck.HIGH),
        ("U1.16", "U1.17", "bridged", True),
        ("U4.7", "U4.8", "reset_held", True),
        ("U4.8", "U4.9", "supply_shorted", True),
    ],
)
def test_what_solder_between_two_pins_does_to_the_line(a: str, b: str, what: str, value: object) -> None:
    assert getattr(wired(bridged(a, b)), what) == value
    assert not wakes(bridged(a, b))


def test_a_short_on_the_bridges_side_of_an_open_joint_still_holds_the_line() -> None:
    wiring = wired(staged("open-pin:pin=U4.30", "bridge-pins:a=U1.16,b=U1.25"))
    assert (wiring.tx_joint, wiring.tx_stuck) == (Joint.GOOD, Stuck.LOW)
    wiring = wired(staged("open-pin:pin=R2.1", "bridge-pins:a=U4.30,b=U4.35"))
    assert (wiring.tx_joint, wiring.tx_stuck) == (Joint.OPEN, Stuck.LOW)


@pytest.mark.parametrize("pin", ["U4.44", "U4.20"])
def test_a_boot_strap_that_does_not_arrive_leaves_the_loader_out(pin: str) -> None:
    # RM0008 s.3.4: BOOT0 high and BOOT1 low start the boot ROM
    assert not boots(opened(pin))
    assert not wakes(opened(pin))
    assert oracle.answer(Staged(opened("U4.44"), Mode.APPLICATION), "K15").outcome == "other-level"


@pytest.mark.parametrize(
    ("setup", "dark"),
    [
        *((opened(pin), True) for pin in ("U4.2", "R3.1", "R3.2", "D1.1", "D1.2")),
        (staged("dead-part:part=D1"), True),
        (staged("dead-part:part=R3"), True),
        (bridged("U4.2", "U4.8"), True),
        (Setup(), False),
        (opened("U6.2"), False),
    ],
)
def test_a_lamp_blinks_or_not(setup: Setup, dark: bool) -> None:
    assert meter.does(setup, "D1") is not dark


def test_a_header_is_soldered_in_or_not() -> None:
    assert meter.does(Setup(), "J4")
    assert not meter.does(opened("J4.6"), "J4")
    assert not meter.does(bridged("J4.3", "J4.4"), "J4")
    assert meter.does(opened("J4.6"), "J3")


@pytest.mark.parametrize(
    ("flaws", "nothing"),
    [
        (("open-pin:pin=U4.23",), True),
        (("open-pin:pin=U4.3",), True),  # joined to nothing
        (("open-pin:pin=C4.1",), True),
        (("bridge-pins:a=U4.8,b=U4.23",), True),
        (("open-pin:pin=J3.3",), True),  # nothing is plugged in there yet
        (("open-pin:pin=U4.31",), False),
        (("open-pin:pin=D1.1",), False),
        (("open-pin:pin=U5.17",), False),
        (("shaky-pin:pin=U6.2",), False),
        (("dead-part:part=U3",), False),
        (("nack-command",), False),
    ],
)
def test_what_shows_nowhere_is_known(flaws: tuple[str, ...], nothing: bool) -> None:
    assert list(unseen(Setup(), flaws)) == (list(flaws) if nothing else [])


def test_what_is_watched_decides_what_shows() -> None:
    assert list(unseen(Setup(), ["open-pin:pin=J3.3"], ["J3"])) == []


def test_what_hides_behind_another_fault_is_one_that_shows_nowhere() -> None:
    # the last ground of the chip shows, those before it do not
    grounds = [f"open-pin:pin=U4.{pin}" for pin in (8, 23, 35, 47)]
    assert list(unseen(Setup(), grounds)) == grounds[:3]


@pytest.mark.parametrize(
    ("flaw", "step"),
    [
        ("open-pin:pin=U4.31", "K23"),
        ("open-pin:pin=U4.30", "R22"),
        ("shaky-pin:pin=U4.30", "K23"),
        ("bridge-pins:a=U4.30,b=U4.35", "R13"),
        ("bridge-pins:a=U4.31,b=U4.36", "R14"),
        ("bridge-pins:a=U4.30,b=U4.31", "R15"),
        ("bridge-pins:a=U1.2,b=U1.3", "R04"),
        ("dead-part:part=U4", "K30"),
        ("open-pin:pin=U1.5", "R16"),
    ],
)
def test_the_repair_of_the_list_mends_the_joint(flaw: str, step: str) -> None:
    assert hands.after(staged(flaw), step).joints == Setup().joints


def test_new_parts_take_the_place_of_dead_and_missing_ones() -> None:
    for name in ("target-dead", "target-missing"):
        board = Board(staged(name))
        assert hands.work(board, hands.exchanged(board.setup, "U4"), 1.0)
        assert board.wiring.runs
    board = Board(staged("bridge-clock-dead"))
    assert hands.work(board, hands.exchanged(board.setup, "U1"), 1.0)
    assert board.wiring.adapter.enumerates
    # a new chip is no cure for what keeps it from its supply, and one that works stays
    assert hands.exchanged(opened("U4.9"), "U4") == opened("U4.9")


@settings(max_examples=60)
@given(
    st.lists(st.sampled_from(sorted(tern.PINS)), max_size=4, unique=True),
    st.lists(st.tuples(st.sampled_from(sorted(tern.PINS)), st.sampled_from(sorted(tern.PINS))), max_size=2),
)
def test_mending_every_place_makes_a_good_board(opens: list[str], bridges: list[tuple[str, str]]) -> None:
    flaws = [f"open-pin:pin={pin}" for pin in opens] + [f"bridge-pins:a={a},b={b}" for a, b in bridges]
    board = Board(staged(*flaws))
    for place in {*opens, *(pin for pair in bridges for pin in pair)}:
        hands.work(board, hands.mended(board.setup, place), 1.0)
    assert board.setup == Setup()
    assert board.mode is Mode.ROM
