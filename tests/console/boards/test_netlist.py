"""IPC-D-356A: worked records, what real writers do differently, and files that are no netlist at all.

Columns: IPC-D-356B (October 2002), table of contents, 8.1 to 8.9; Michigan State University handout "IPC-D-356A
NETLIST FORMAT"; the public sources of the KiCad, LibrePCB and gEDA pcb writers, which agree. The board is invented.
"""

from __future__ import annotations

import codecs
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.circuit import Pin
from console.boards.netlist import MOST_BYTES, Netlist, Notice, parse_netlist
from console.boards.record import Record, parse_record
from console.errors import InputTrouble

SAMPLE = b"""\
C  demo board for the bring-up console
P  JOB   BRINGUP DEMO
P  UNITS CUST 0
P  NNAME1 MCU_BOOT_SELECT_PULLDOWN
P  NNAME2 UART0_RX_FROM_BRIDGE
317GND              J1    -1    D0400PA00X+001000Y+002000X0600Y0600R000 S0
327UART_TX          U2    -12         A01X+015250Y+007800X0240Y0600R090 S0
327NNAME1           R7    -1          A01X+012000Y-000500X0320Y0360R000 S0
317GND              VIA        MD0120PA00X+013000Y+004000X0240Y0000R000 S3
327NNAME2           U1    -A7         A02X+008000Y+003100X0240Y0600R180 S0
367                       -     D1250UA00X+000150Y+000150
327N/C              U2    -13         A01X+015750Y+007800X0240Y0600R090 S0
307VDD              VIA        MD0080PA01X+009000Y+005000               S3L01L02
027VDD              VIA               A01X+009000Y+005000X0180Y0000R000 S3
317VDD              TP3   -1    D0600PA01X+005000Y+006000X0900Y0000R000 S0
017                                   A02X+005000Y+006000X0700Y0000R000 S0
378GND            L01 X0080 X+001000Y+002000 X+003000 Y+004500
078                   X+006000*X+007000Y+004500 X+009000
379GND                UART_TX
389BOARD_EDGE         X+000000Y+000000 X+040000 Y+025000 X+000000 Y+000000
999
"""
GOOD = "327UART_TX          U2    -12         A01X+015250Y+007800X0240Y0600R090 S0"


def of_lines(*lines: str, head: str = "P  UNITS CUST 0", end: str = "999") -> Netlist:
    return parse_netlist("\n".join([head, *lines, end]).encode("latin-1"), "board.356")


def texts(netlist: Netlist) -> list[str]:
    return [notice.text for notice in netlist.notices]


def test_the_worked_records() -> None:
    netlist = parse_netlist(SAMPLE)
    assert netlist.circuit.pins == (
        Pin("J1", "1", "GND", 2.54, 5.08, "both"),
        Pin("U2", "12", "UART_TX", 38.735, 19.812, "top"),
        Pin("R7", "1", "MCU_BOOT_SELECT_PULLDOWN", 30.48, -1.27, "top"),
        Pin("U1", "A7", "UART0_RX_FROM_BRIDGE", 20.32, 7.874, "bottom"),
        Pin("U2", "13", "", 40.005, 19.812, "top"),
        Pin("TP3", "1", "VDD", 12.7, 15.24, "both"),
    )
    assert netlist.vias == (Pin("VIA", "", "GND", 33.02, 10.16, "both"), Pin("VIA", "", "VDD", 22.86, 12.7, "both"))
    assert (netlist.job, netlist.units, netlist.holes) == ("BRINGUP DEMO", "0.0001 inch", 1)
    assert netlist.notices == ()


def test_the_fields_of_the_worked_records() -> None:
    lines = SAMPLE.decode().split("\n")
    found = [parse_record(line) for line in lines if line[:3] in ("317", "327", "307", "027", "017", "367")]
    # hole, plated, access, width, height, rotation, mask, layers; lengths in 0.0001 inch
    assert [(r.hole, r.plated, r.access, r.size_x, r.size_y, r.rotation, r.mask, r.layers) for r in found if r] == [
        (400, True, 0, 600, 600, 0, 0, None),
        (None, None, 1, 240, 600, 90, 0, None),
        (None, None, 1, 320, 360, 0, 0, None),
        (120, True, 0, 240, 0, 0, 3, None),
        (None, None, 2, 240, 600, 180, 0, None),
        (1250, False, 0, None, None, None, None, None),
        (None, None, 1, 240, 600, 90, 0, None),
        (80, True, 1, None, None, None, 3, (1, 2)),
        (None, None, 1, 180, 0, 0, 3, None),
        (600, True, 1, 900, 0, 0, 0, None),
        (None, None, 2, 700, 0, 0, 0, None),
    ]
    assert [r.midpoint for r in found if r] == [r is not None and r.part == "VIA" and r.code != "027" for r in found]


@pytest.mark.parametrize(
    ("units", "mm"),
    # +010000 is 1.0000 inch with CUST and CUST 0, 10.000 mm with CUST 1 [MSU handout]; CUST 2 differs in angles only
    [("CUST", 25.4), ("CUST 0", 25.4), ("CUST 1", 10.0), ("CUST 2", 25.4)],
)
def test_units(units: str, mm: float) -> None:
    netlist = of_lines("327A                U1    -1          A01X+010000Y-010000", head=f"P  UNITS {units}")
    assert netlist.circuit.pins == (Pin("U1", "1", "A", mm, -mm, "top"),)


def test_without_a_unit_or_with_a_strange_one() -> None:
    bare = of_lines(GOOD, head="C  no unit")
    assert bare.circuit.pins[0].x_mm == 38.735
    assert texts(bare) == ["no UNITS parameter; taken as CUST 0 (0.0001 inch)"]
    marked = parse_netlist(codecs.BOM_UTF8 + "\n".join(("P  UNITS CUST 0", GOOD, "999")).encode())
    assert marked.notices == ()  # a byte order mark is no part of the first line
    strange = of_lines(GOOD, head="P  UNITS SI\x1b[m")
    assert strange.circuit.pins[0].place is None
    assert texts(strange) == [r"unit SI\x1b[m is not known, so places are left out"]
    twice = of_lines("P  UNITS CUST 1", GOOD)
    assert twice.circuit.pins[0].x_mm == 38.735
    assert texts(twice) == ["the unit is given twice; the first one counts"]


def test_parameters_that_are_not_needed_or_not_known() -> None:
    # the MSU handout's parameters; the newest KiCad writes arrayDim for DIM
    usual = [
        "P  CODE  00",
        "P  TITLE x",
        "P  NUM   1",
        "P  REV   B",
        "P  VER   IPC-D-356A",
        "P  DIM   N",
        "P  arrayDim   N",
    ]
    assert of_lines(*usual, GOOD).notices == ()
    assert str(of_lines("P  GRID_UNITS 5", GOOD).notices[0]) == "a parameter is not known and was left out (line 2)"


# each record as the writer named writes it, and what it says; lengths in 0.0001 inch
DIALECTS = [
    pytest.param(
        "317GND              VIA   -    MD0120PA00X+013000Y+004000X0240Y0000R000S3", ("VIA", "", "GND", 33.02, 10.16),
        id="gEDA pcb: a dash although there is no pin; older KiCad: mask in column 72",
    ),
    pytest.param(
        "327GND              R12   -2          A01X  14900Y  -1200X 600Y 600R 90", ("R12", "2", "GND", 37.846, -3.048),
        id="EAGLE: numbers padded with blanks, no sign, no mask",
    ),
    pytest.param(
        "327VCC              COMMUNICATION-1           A01X  14900Y  12000X 600Y 600R 90",
        ("COMMUNICATION", "1", "VCC", 37.846, 30.48), id="EAGLE: a long designator shifts what follows",
    ),
    pytest.param(
        "317                 X-IN-3-12   D0400PA00X+001000Y+002000", ("X-IN-3", "12", "", 2.54, 5.08),
        id="a long designator with dashes in it; an unconnected pin has no net",
    ),
    pytest.param(
        "327GND C215 -2 A08X+050850Y+047799", ("C215", "2", "GND", 129.159, 121.40946),
        id="PADS-like: fields one blank apart, ends after Y",
    ),
    pytest.param(
        "327M0000            U1    -1          A01X+010000Y+010000", ("U1", "1", "M0000", 25.4, 25.4),
        id="newest KiCad: the bare token, but the file lacks its alias",
    ),
    pytest.param(
        "327NET_OF_17_LETTRS U1    -1          A01X+010000Y+010000", ("U1", "1", "NET_OF_17_LETTRS", 25.4, 25.4),
        id="a name that runs on into columns 18 to 20",
    ),
    pytest.param(GOOD.ljust(80), ("U2", "12", "UART_TX", 38.735, 19.812), id="strict: padded to 80 columns"),
]  # fmt: skip


@pytest.mark.parametrize(("line", "said"), DIALECTS)
def test_what_real_writers_do_differently(line: str, said: tuple[str, str, str, float, float]) -> None:
    netlist = of_lines(line)
    (pin,) = netlist.circuit.pins + netlist.vias
    assert (pin.part, pin.name, pin.net, pin.x_mm, pin.y_mm) == said
    shifted = "fields stand outside their columns and were read by their letters"
    in_columns = len(line) > 41 and line[26] == "-" and line[41] == "X"
    assert texts(netlist) == ([] if in_columns else [shifted])


def test_a_hole_drilled_to_the_left_of_its_field() -> None:
    # gEDA pcb writes the drill left-justified
    record = parse_record("317GND              J1    -1     D12  PA00X+013000Y+004000")
    assert record is not None
    assert (record.hole, record.plated) == (12, True)


@pytest.mark.parametrize("end_of_line", [b"\n", b"\r\n", b"\r"])
def test_ends_of_lines(end_of_line: bytes) -> None:
    netlist = parse_netlist(SAMPLE.replace(b"\n", end_of_line))
    assert netlist.circuit.pins == parse_netlist(SAMPLE).circuit.pins
    assert netlist.notices == ()


def test_aliases_under_both_spellings() -> None:
    # the record carries NNAME00001 (gEDA pcb) or the bare token M0000 (newest KiCad, name from column 15)
    geda = of_lines(
        "P  NNAME00001 A_VERY_LONG_NAME_OF_A_NET", "327NNAME00001      U1    -1          A01X+000000Y+000000"
    )
    assert list(geda.circuit.nets) == ["A_VERY_LONG_NAME_OF_A_NET"]
    kicad = of_lines(
        "P  NNAMEM0000 A_VERY_LONG_NAME_OF_A_NET", "327M0000            U1    -1          A01X+000000Y+000000"
    )
    assert list(kicad.circuit.nets) == ["A_VERY_LONG_NAME_OF_A_NET"]
    assert kicad.aliases == {"M0000": "A_VERY_LONG_NAME_OF_A_NET"}


def test_a_net_that_is_called_like_a_token_is_not_mistaken_for_an_alias() -> None:
    netlist = of_lines(
        "P  NNAME1 LONG_NAME",
        "327NNAME1           U1    -1          A01X+000000Y+000000",
        "3271                U1    -2          A01X+001000Y+000000",
    )
    assert list(netlist.circuit.nets) == ["LONG_NAME", "1"]


def test_aliases_that_are_missing_doubled_or_cut_to_the_same_name() -> None:
    pin = "327{:14}   U1    -{}          A01X+00000{}Y+000000".format
    missing = of_lines(pin("NNAME7", 1, 1))
    assert str(missing.notices[0]) == "a net alias has no long name in the file (line 2)"
    doubled = of_lines("P  NNAME1 A", "P  NNAME1 B", pin("NNAME1", 1, 1))
    assert (list(doubled.circuit.nets), len(doubled.notices)) == (["A"], 1)
    cut = of_lines("P  NNAME1 TAIL", "P  NNAME2 TAIL", pin("NNAME1", 1, 1), pin("NNAME2", 2, 2))
    assert (list(cut.circuit.nets), len(cut.notices)) == (["TAIL", "TAIL (2)"], 1)


@pytest.mark.parametrize(
    ("record", "side"),
    [
        ("317A                U1    -1    D0400PA01X+000000Y+000000", "both"),  # a plated hole reaches both sides
        ("327A                U1    -1          A01X+000000Y+000000", "top"),
        ("327A                U1    -1          A04X+000000Y+000000", "bottom"),
        ("327A                U1    -1          A00X+000000Y+000000", "both"),
        ("327A                U1    -1             X+000000Y+000000", ""),
        ("307A                VIA        MD0080PA01X+000000Y+000000               S0L01L02", "top"),
        ("307A                VIA        MD0080PA02X+000000Y+000000               S0L02L03", ""),
        ("307A                VIA        MD0080PA04X+000000Y+000000               S0L03L04", "bottom"),
        ("307A                VIA        MD0080PA01X+000000Y+000000               S0L01L04", "both"),
        ("307A                VIA        MD0080PA01X+000000Y+000000", "top"),
        ("307A                VIA        MD0080PA03X+000000Y+000000", ""),
    ],
)
def test_sides_of_a_board_with_four_layers(record: str, side: str) -> None:
    netlist = of_lines(record, "327B                U9    -1          A04X+000000Y+000000")
    assert (netlist.vias + netlist.circuit.pins)[0].side == side


@pytest.mark.parametrize(
    ("mask", "side"), [("", "both"), ("S0", "both"), ("S1", "bottom"), ("S2", "top"), ("S3", None)]
)
def test_solder_mask_hides_metal_from_a_probe(mask: str, side: str | None) -> None:
    # 0 none, 1 primary side covered, 2 secondary, 3 both [IPC-D-356B 8.9; KiCad, LibrePCB writers]
    netlist = of_lines(f"317A                U1    -1    D0400PA00X+000000Y+000000X0600Y0600R000 {mask}")
    assert [place.side for place in netlist.touchable.get("A", ())] == ([] if side is None else [side])
    assert netlist.circuit.pins[0].side == "both"


def test_a_pin_twice_and_a_continuation_with_its_own_name() -> None:
    repeated = of_lines(
        "317A                J1    -1    D0400PA01X+000000Y+000000",
        "017A                J1    -1          A02X+000000Y+000000",
        "327A                J1    -1          A01X+001000Y+000000",
    )
    assert [(pin.x_mm, pin.side) for pin in repeated.circuit.pins] == [(0.0, "both"), (2.54, "top")]
    assert repeated.notices == ()
    quarrel = of_lines(
        "327A                J1    -1          A01X+000000Y+000000",
        "327B                J1    -1          A01X+000000Y+000000",
    )
    assert [pin.net for pin in quarrel.circuit.pins] == ["A", "B"]
    assert str(quarrel.notices[0]) == "a pin is given twice with different nets; both are kept (line 3)"


def test_only_the_first_image_of_a_panel_counts() -> None:
    netlist = of_lines("P  IMAGE PRIMARY", GOOD, "P  IMAGE 2", GOOD.replace("U2 ", "U3 "), "P  IMAGE PANEL")
    assert list(netlist.circuit.parts) == ["U2"]
    assert texts(netlist) == ["records of further images (other boards of the panel) were left out"]


def test_one_bad_record_never_costs_the_file() -> None:
    bad = [
        GOOD.replace("X+015250", "X+0152?0"),
        GOOD.replace("X+015250", "X 1 5250"),
        GOOD.replace("Y+007800", "Y++07800"),
        "017                                   A02X+005000Y+006000",
        "555GND              J1    -1    D0400PA00X+001000Y+002000",
        "{ this is another format }",
        GOOD + "X" * 200,
        "327",
    ]
    netlist = of_lines(GOOD, *bad)
    assert [pin.ref for pin in netlist.circuit.pins] == ["U2.12"]
    assert [(notice.text, notice.count, notice.lines) for notice in netlist.notices] == [
        ("a test record could not be understood and was left out", 5, (3, 4, 5, 9, 10)),
        ("a continuation follows nothing and was left out", 1, (6,)),
        ("a line is no record of this format and was left out", 2, (7, 8)),
    ]


def test_the_end_record() -> None:
    assert texts(of_lines(GOOD, end="")) == ["the end record 999 is missing; the file may be cut short"]
    late = of_lines(GOOD, end="999\n\n327A                U9    -1          A01X+000000Y+000000\nmore")
    assert (list(late.circuit.parts), texts(late)) == (["U2"], ["text after the end record 999 was not read"])


def test_many_notices_name_the_first_lines_only() -> None:
    notice = of_lines(GOOD, *["?"] * 9).notices[0]
    text = "a line is no record of this format and was left out: 9 times (lines 3, 4, 5, 6, 7, …)"
    assert str(notice) == text
    assert str(Notice("said", 1, ())) == "said"


@pytest.mark.parametrize(
    "data", [b"", b"999\n", b"C  only words\n", b"P  JOB   A\nP  UNITS CUST 0\n999\n", b"\x00" * 50]
)
def test_a_file_without_records_is_refused(data: bytes) -> None:
    with pytest.raises(InputTrouble) as caught:
        parse_netlist(data, "x.356")
    assert (caught.value.code, caught.value.where.split(":")[0]) == ("netlist", "x.356")


def test_another_format_is_named_with_its_first_line() -> None:
    with pytest.raises(InputTrouble) as caught:
        parse_netlist(b"C  words\n(export (version \x1b[2J D))\n", "dir\x1b/x.net")
    assert caught.value.where == r"dir\x1b/x.net:2"
    assert r"\x1b[2J" in caught.value.message
    assert "\x1b" not in "".join(caught.value.lines())


def test_a_file_that_is_too_big_is_not_read() -> None:
    with pytest.raises(InputTrouble) as caught:
        parse_netlist(bytes(MOST_BYTES + 1))
    assert str(MOST_BYTES) in caught.value.message


def test_hostile_names_come_out_clean() -> None:
    netlist = of_lines("P  JOB   \x1b]0;x\x07", "327N\x9bET            U\x1b1   -\x851          A01X+000000Y+000000")
    (pin,) = netlist.circuit.pins
    assert (netlist.job, pin.part, pin.name, pin.net) == (r"\x1b]0;x\x07", r"U\x1b1", r"\x851", r"N\x9bET")


# ---------------------------------------------------------------------------------------- properties


@given(st.binary(max_size=400) | st.text("0123799C PNX+YAS-\n\rVI", max_size=400).map(str.encode))
def test_garbage_raises_nothing_but_our_error(garbage: bytes) -> None:
    for data in (garbage, SAMPLE[:700] + garbage, garbage + SAMPLE, SAMPLE + garbage):
        try:
            netlist = parse_netlist(data)
        except InputTrouble:
            continue
        assert all(text.isprintable() for pin in netlist.circuit.pins for text in (pin.part, pin.name, pin.net))


@given(st.integers(0, len(SAMPLE)), st.integers(0, 255))
def test_a_spoiled_byte_or_a_cut_never_raises_and_leaves_the_rest(place: int, value: int) -> None:
    spoiled = bytearray(SAMPLE + b"\n")
    spoiled[place] = value
    assert len(parse_netlist(bytes(spoiled)).circuit.pins) >= 1 or value in b"P9"
    if place > 250:
        assert parse_netlist(SAMPLE[:place]).circuit.pins


@given(st.text(max_size=250))
def test_a_record_of_any_text_is_a_record_or_none(text: str) -> None:
    for line in (text, "327" + text, GOOD[:41] + text, GOOD[:20] + text + GOOD[38:]):
        assert isinstance(parse_record(line), Record | None)


NAMES = st.text(string.ascii_uppercase + string.digits + "_/+#", min_size=1, max_size=40)
DESIGNATORS = st.text(string.ascii_uppercase + string.digits, min_size=1, max_size=6).filter(lambda ref: ref != "VIA")
PIN_NAMES = st.text(string.ascii_uppercase + string.digits, min_size=1, max_size=4)
PLACES = st.integers(-999_999, 999_999)


def write(pins: list[tuple[str, str, str, int, int, str]], blanks: bool, padded: bool) -> bytes:
    """A tiny writer: the columns by counting, aliases for long names, units of 0.001 mm."""
    nets = {net: net if len(net) <= 14 else f"NNAME{n}" for n, net in enumerate(dict.fromkeys(p[2] for p in pins), 1)}
    out = ["P  UNITS CUST 1", *(f"P  {short} {net}" for net, short in nets.items() if short != net)]
    for part, name, net, x, y, side in pins:
        at = [f"{v:7d}" if blanks and v >= 0 else f"{v:+07d}" for v in (x, y)]
        hole = "D0400P" if side == "both" else "      "
        code, access = {"top": ("327", "01"), "bottom": ("327", "02"), "both": ("317", "00")}[side]
        out.append(f"{code}{nets[net] or 'N/C':<14}   {part:<6}-{name:<4} {hole}A{access}X{at[0]}Y{at[1]}")
    return "\n".join([line.ljust(80) if padded else line for line in [*out, "999"]]).encode()


@given(
    st.lists(
        st.tuples(
            DESIGNATORS, PIN_NAMES, NAMES | st.just(""), PLACES, PLACES, st.sampled_from(["top", "bottom", "both"])
        ),
        min_size=1,
        max_size=12,
        unique_by=(lambda pin: pin[:2], lambda pin: pin[3:5]),
    ),
    st.booleans(),
    st.booleans(),
)
def test_what_was_written_is_read(pins: list[tuple[str, str, str, int, int, str]], blanks: bool, padded: bool) -> None:
    pins = [
        (a, b, net if net not in ("N/C",) and not net.startswith("NNAME") else "X", *rest) for a, b, net, *rest in pins
    ]  # type: ignore[misc]
    netlist = parse_netlist(write(pins, blanks, padded))
    assert netlist.notices == ()
    assert netlist.circuit.pins == tuple(Pin(a, b, net, x / 1000, y / 1000, side) for a, b, net, x, y, side in pins)
