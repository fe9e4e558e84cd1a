"""Every fault of a small board, and the table of how often they happen."""

from __future__ import annotations

from importlib import resources

import pytest

from console.boards.circuit import Circuit, Pin
from console.boards.defects import FILE, IDS, defects, parse
from console.boards.faults import Fault, Kind, possible_faults
from console.boards.stagerun import Board, Exercises, Implication, PartClass, reach
from console.errors import InputTrouble
from tests.console.boards.bench_board import BOARD, SPI, row

TEXT = resources.files("console.boards").joinpath(FILE).read_text(encoding="utf-8")
TABLE = defects()


def called(kind: Kind, board: Board = BOARD) -> dict[str, Fault]:
    """The faults of one kind by the pins or the part they sit at."""
    return {
        "-".join(pin.ref for pin in fault.pins) or fault.net or fault.part: fault
        for fault in possible_faults(board, TABLE)
        if fault.kind is kind
    }


def test_one_open_joint_per_pin_that_is_joined_to_another() -> None:
    joints = called(Kind.OPEN)
    assert "U1.12" not in joints  # no net
    assert "U3.4" not in joints
    assert joints["U1.3"].defect.id == "open-fine"
    assert joints["U2.1"].defect.id == "open-hidden"
    assert joints["U3.1"].defect.id == "open-coarse"
    assert joints.keys() == {pin.ref for pin in BOARD.circuit.pins if pin.net and len(BOARD.circuit.nets[pin.net]) > 1}


def test_bridges_only_to_the_next_pad_on_another_net() -> None:
    bridges = called(Kind.BRIDGE)
    assert bridges["U1.3-U1.4"].defect.id == "bridge-fine"
    assert "U1.3-U1.5" not in bridges  # U1.4 lies between
    assert "U1.11-U1.12" not in bridges  # a pin without a net
    assert bridges["U2.1-U2.2"].defect.id == "bridge-coarse"
    assert not any("J1" in name for name in bridges)  # 2.54 mm
    board = Board(Circuit(row("U9", 0, 0, 0.5, "A", "A", "B")), {"U9": PartClass("U9", visible=False)})
    assert called(Kind.BRIDGE, board).keys() == {"U9.2-U9.3"}
    assert called(Kind.BRIDGE, board)["U9.2-U9.3"].defect.id == "bridge-hidden"


def test_a_pin_with_two_pads_has_one_joint_and_no_bridge_to_itself() -> None:
    board = Board(Circuit([*row("U9", 0, 0, 0.5, "A"), Pin("U9", "1", "A", 0.5, 0.0), Pin("U8", "1", "A")]))
    assert called(Kind.OPEN, board).keys() == {"U9.1", "U8.1"}
    assert not called(Kind.BRIDGE, board)


def test_pads_without_places_have_no_bridges() -> None:
    board = Board(Circuit([Pin("U9", "1", "A"), Pin("U9", "2", "B"), Pin("U8", "1", "A"), Pin("U8", "2", "B")]))
    assert not called(Kind.BRIDGE, board)
    assert len(called(Kind.OPEN, board)) == 4


def test_parts_clocks_and_supplies() -> None:
    parts = called(Kind.PART)
    assert parts["U1"].defect.id == "part-chip"
    assert parts["R1"].defect.id == "part-small"
    assert parts["J1"].defect.id == "part-connector"
    assert "TP1" not in parts
    assert called(Kind.CLOCK).keys() == {"Y1"}
    rails = called(Kind.RAIL)
    assert {net: fault.part for net, fault in rails.items()} == {"+3V3": "U3", "VBUS": "J1"}


def test_shorted_parts_join_their_supplies_and_small_ones_their_nets() -> None:
    shorts = {name: fault.nets for name, fault in called(Kind.SHORT).items()}
    assert shorts == {
        "U1.1-U1.2": {"+3V3", "GND"},
        "U2.3-U2.4": {"+3V3", "GND"},
        "U3.1-U3.2": {"VBUS", "GND"},
        "U3.1-U3.5": {"VBUS", "+3V3"},  # a regulator that passes on what it gets
        "U3.2-U3.5": {"GND", "+3V3"},
        "U4.3-U4.4": {"VBUS", "GND"},
        "Y1.2-Y1.3": {"GND", "+3V3"},
        "C1.1-C1.2": {"+3V3", "GND"},
    }
    filtered = Board(Circuit([*row("C2", 0, 0, 1.6, "SCK", "GND"), *row("R3", 0, 9, 1.6, "SCK", "GND")]))
    assert called(Kind.SHORT, filtered).keys() == {"C2.1-C2.2"}
    grounds = Board(Circuit(row("U9", 0, 0, 0.5, "GND", "AGND")))
    assert not called(Kind.SHORT, grounds), "two grounds are mostly one"


def test_a_short_is_made_by_what_joins_just_these_two_nets() -> None:
    pair = frozenset({"+3V3", "GND"})
    found = reach(BOARD, Exercises(frozenset({"U1"}), apart=frozenset({pair}), unpowered=True), TABLE.strength)
    for fault in possible_faults(BOARD, TABLE):
        joins = fault.kind in (Kind.BRIDGE, Kind.SHORT) and fault.nets == pair
        assert fault.need(found, TABLE.strength) == (TABLE.strength.direct if joins else 0), fault.key


def test_a_missing_supply_says_nothing_of_the_joints_on_it() -> None:
    reading = Implication("all ones", rails={"+3V3": 0.5}, otherwise=0.05)
    assert called(Kind.RAIL)["+3V3"].fit(reading) == 0.5
    assert called(Kind.SHORT)["C1.1-C1.2"].fit(reading) == 0.5
    assert called(Kind.OPEN)["U1.1"].fit(reading) == 0.05


def test_what_a_bridge_does_to_a_stage() -> None:
    found = reach(BOARD, SPI, TABLE.strength)
    bridges = called(Kind.BRIDGE)

    def need(name: str) -> float:
        return bridges[name].need(found, TABLE.strength)

    assert need("U1.3-U1.4") == TABLE.strength.direct  # two lines in use
    assert need("U1.2-U1.3") == TABLE.strength.direct  # a line in use and ground
    assert need("U1.6-U1.7") == TABLE.strength.one_sided  # a line in use and one at rest
    assert need("U1.1-U1.2") == TABLE.strength.direct  # supply and ground
    assert need("U4.1-U4.2") == 0  # neither in use
    unpowered = reach(BOARD, Exercises(), TABLE.strength)
    assert bridges["U1.1-U1.2"].need(unpowered, TABLE.strength) == 0


def test_the_largest_chance_that_applies_counts() -> None:
    reading = Implication(
        "bits joined",
        pins={"U1.4": 0.3},
        nets={"SCK": 0.2, "MISO": 0.4},
        parts={"U1": 0.6},
        joined={frozenset({"SCK", "MISO"}): 0.9},
        otherwise=0.05,
    )
    joints, bridges, parts = called(Kind.OPEN), called(Kind.BRIDGE), called(Kind.PART)
    assert joints["U1.4"].fit(reading) == 0.3
    assert joints["U2.6"].fit(reading) == 0.2
    assert joints["U1.9"].fit(reading) == 0.05
    assert bridges["U1.4-U1.5"].fit(reading) == 0.9
    assert bridges["U1.3-U1.4"].fit(reading) == 0.3
    assert parts["U1"].fit(reading) == 0.6
    assert parts["U2"].fit(reading) == 0.05


def test_the_table_names_every_kind_and_where_it_comes_from() -> None:
    assert TABLE.kinds.keys() == set(IDS)
    assert all(kind.provenance and kind.reason for kind in TABLE.kinds.values())
    assert TABLE.kinds["open-hidden"].rate > TABLE.kinds["open-fine"].rate > TABLE.kinds["open-coarse"].rate
    assert all(sum(share for _, share in kind.modes) == pytest.approx(1) for kind in TABLE.kinds.values())


def test_counts_from_the_bench_move_a_rate() -> None:
    start = TABLE.kinds["open-fine"].rate
    after = TABLE.learned({"open-fine": (9, 300), "unheard-of": (1, 2)})
    # Beta update by hand: 300 joints on the bench weigh as much as the table
    assert after.kinds["open-fine"].rate == pytest.approx((start * TABLE.worth + 9) / (TABLE.worth + 300))
    assert after.kinds["bridge-fine"] == TABLE.kinds["bridge-fine"]
    with pytest.raises(ValueError):
        TABLE.learned({"open-fine": (3, 2)})


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ("leak = 0.004", "leak = 1", "leak"),
        ("worth = 300", 'worth = "much"', "worth"),
        ("direct = 0.97", "direct = 0", "direct"),
        ('id = "open-hidden"', 'id = "open-cave"', "id"),
        ('id = "open-hidden"', 'id = "open-fine"', "id"),
        ("rate = 0.006", "rate = -1", "rate"),
        ('provenance = "common practice, no source"', "", "provenance"),
        ("[strength]", "[strengths]", "strength"),
        ("leak = 0.004", "leak = ", "not TOML"),
    ],
)
def test_a_broken_table_names_file_line_and_key(old: str, new: str, key: str) -> None:
    assert old in TEXT
    with pytest.raises(InputTrouble) as caught:
        parse(TEXT.replace(old, new, 1), "mine.toml")
    assert "mine.toml" in caught.value.where
    assert key in caught.value.message


def test_a_table_that_lacks_a_kind_is_refused() -> None:
    start = TEXT.rindex("[[defect]]")
    with pytest.raises(InputTrouble, match="nothing for rail-missing") as caught:
        parse(TEXT[:start])
    assert "[[defect]]" in caught.value.help
