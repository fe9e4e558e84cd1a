"""The board file: the packaged example, every wrong thing with its line and key, and files nobody meant."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from console.boards.board_file import load_board, parse_board
from console.boards.examples import BOARDS, example_file
from console.boards.plan import MOST_STAGES, Plan, Work
from console.boards.template import Mismatch
from console.errors import InputTrouble
from tests.console.boards import make_tern_b_image

EXAMPLE = example_file(BOARDS["tern-b"]).decode()
FILES = {"tern-b.356": example_file("tern_b/tern-b.356"), "tern-b.hex": example_file("tern_b/tern-b.hex")}


def read(name: str, most: int) -> bytes:
    if name not in FILES:
        raise InputTrouble("board-file", "cannot read the file: no such file", where=name, help="check the name")
    return FILES[name]


def parse(text: str) -> Plan:
    return parse_board(text, "b.toml", read)


def test_the_example_is_whole() -> None:
    plan = load_board("tern-b")
    assert (plan.name, plan.revision, plan.family, plan.has_cell) == ("Tern", "B", "an3155", True)
    assert plan.notes == ()
    assert {stage.work for stage in plan.stages} == set(Work), "the example shows every kind of stage"
    assert (plan.loader.baud, plan.loader.frame, plan.application.frame) == (115200, "8E1", "8N1")
    assert [str(rail.limits) for rail in plan.rails] == ["3.135 to 3.465 V", "1.14 to 1.26 V"]
    assert plan.board.part("U5").visible is False
    assert plan.board.part("U4").visible is True
    assert plan.board.makers("+1V2") == ["U3"]
    assert plan.images["logger"].part == "U4"


def test_a_net_that_is_measured_as_a_rail_is_a_supply_whatever_its_name() -> None:
    netlist = FILES["tern-b.356"].replace(b"+3V3 ", b"MAIN ")
    renamed = EXAMPLE.replace('"+3V3"', '"MAIN"')
    plan = parse_board(renamed, "b.toml", lambda name, most: netlist if name == "tern-b.356" else read(name, most))
    assert plan.board.is_supply_rail("MAIN")
    assert plan.board.makers("MAIN") == ["U2"]
    assert plan.board.is_rail("GND")
    assert not plan.board.is_rail("LED")


def test_a_plan_has_a_bounded_number_of_stages() -> None:
    one = '[[stage]]\nid = "s{}"\nkind = "confirm"\ntitle = "t"\nlook = "l"\n'
    many = "".join(one.format(n) for n in range(MOST_STAGES + 1))
    with pytest.raises(InputTrouble, match=f"found 's{MOST_STAGES}'") as caught:
        parse(EXAMPLE[: EXAMPLE.index("[[stage]]")] + many)
    assert f"at most {MOST_STAGES} stages" in caught.value.help


def test_every_stage_of_the_example_uses_something() -> None:
    for stage in load_board("tern-b").stages:
        assert stage.exercises.parts or stage.exercises.nets or stage.nets, stage.id


def test_the_packaged_image_is_what_its_maker_writes() -> None:
    assert FILES["tern-b.hex"].decode() == make_tern_b_image.render()


def test_what_cannot_be_left_out_is_added_to_the_prerequisites() -> None:
    plan = load_board("tern-b")
    assert plan.stage("write").after == ("erase", "identify")
    assert plan.stage("fpga").after == ("memory", "start")


def test_a_query_knows_its_template_and_its_id() -> None:
    query = load_board("tern-b").stage("memory").query
    assert query is not None
    assert query.id is not None
    assert query.send == b"id memory?\r\n"
    assert query.reply.parse(b"memory: 5A 31 14") == {"id": bytes.fromhex("5A3114")}
    assert query.expected["id"].values == (bytes.fromhex("5A3114"),)
    assert query.id.lines["data-out"] == "SPI_MISO"
    assert query.id.known == {0x5A3115: "the same memory, twice the size"}
    with pytest.raises(Mismatch):
        query.reply.parse(b"memory: no answer")


def line_of(text: str, needle: str) -> int:
    return next(number for number, line in enumerate(text.splitlines(), 1) if needle in line)


# what is changed in the example, where it must be told, and what would be right
WRONG = [
    ('name = "Tern"', "name = 7", "board.name", "a text"),
    ('revision = "B"', 'revision = "B\\u001b[2J"', "board.revision", "plain text"),
    ('netlist = "tern-b.356"', 'netlist = "other.356"', "", "check the name"),
    ("cell = true", 'cell = "yes"', "board.cell", "true or false"),
    ("cell = true", "cells = true", "board.cells", "one of the keys"),
    ('family = "an3155"', 'family = "morse"', "serial.family", "an3155"),
    ("baud = 115200\nframe = \"8E1\"", "baud = 0\nframe = \"8E1\"", "serial.baud", "whole number"),
    ('frame = "8E1"', 'frame = "9X1"', "serial.frame", "8E1"),
    ('reset_line = "dtr"', 'reset_line = "cts"', "serial.reset_line", "dtr or rts"),
    ('strap_line = "~rts"', 'strap_line = "~dtr"', "serial.strap_line", "other control line"),
    ('frame = "8N1"', 'frame = "8?1"', "serial.application.frame", "8N1"),
    ('adapter = "TX"', 'adapter = "TXD"', "wire 1.adapter", "TX, RX"),
    ('pin = "U1.17"', 'pin = "U1.99"', "wire 1.pin", "names like it"),
    ('net = "BR_TXD"', 'net = "BR_RXD"', "wire 1.net", "'BR_TXD'"),
    ('leads = "hidden"', 'leads = "secret"', "package qfn.leads", "visible or hidden"),
    ("reflow_min = 4", "reflow_min = 0", "package qfn.reflow_min", "above 0"),
    ('refs = ["U4"]', 'refs = ["U44"]', "part 1.refs", "names like it: U4"),
    ('refs = ["U5"]', 'refs = ["U4"]', "part 3.refs", "each part once"),
    ('package = "qfp-48"', 'package = "qfp-49"', "part 1.package", "names like it: qfp-48"),
    ('role = "regulator"\nmakes = ["+3V3"]', 'role = "wizard"\nmakes = ["+3V3"]', "part 5.role", "regulator"),
    ('makes = ["+3V3"]', 'makes = ["+1V2"]', "part 5.makes", "a net that U2 touches"),
    ('net = "+3V3"', 'net = "LED"', "rail 1.at", "a pin on LED"),
    ('net = "+3V3"', 'net = "GND"', "rail 1.net", "a supply, not ground"),
    ("least = 3.135", 'least = "3.135"', "rail 1.least", "a number of V"),
    ("least = 3.135", "least = 4", "rail 1.least", "must not be above"),
    ('at = "TP1.1"', 'at = "D1.1"', "rail 1.at", "a pin on +3V3"),
    ('file = "tern-b.hex"', 'file = "other.hex"', "", "check the name"),
    ('file = "tern-b.hex"', 'file = "tern-b.hex"\naddress = 0', "image 1.address", "loads"),
    ('chip = "0x410"', 'chip = "0x4FF"', "image 1.chip", "known chip"),
    ('part = "U4"', 'part = "U40"', "image 1.part", "a part of the netlist"),
    ('id = "look-chips"', 'id = "Look chips"', "stage Look chips.id", "small letters"),
    ('id = "look-chips"', 'id = "look-supply"', "stage look-supply.id", "no stage above has"),
    ('kind = "measure" ', 'kind = "guess" ', "stage rail-3v3.kind", "inspect, measure"),
    ('rail = "+1V2"', 'rail = "+1V8"', "stage rail-1v2.rail", "the net of a [[rail]]"),
    ('rail = "+1V2"', 'rail = "+1V2"\nunit = "V"', "stage rail-1v2.rail", "either a rail"),
    ('between = ["+3V3", "GND"]', 'between = ["+3V3"]', "stage no-short-3v3.between", "two places"),
    ('between = ["+3V3", "GND"]', 'between = ["+3V3", "GMD"]', "stage no-short-3v3.between", "names like it: GND"),
    ("least = 50\n", "", "stage no-short-3v3.most", "connection"),
    ("within_s = 30", "within_s = 0", "stage plug.within_s", "above 0"),
    ('nets = ["USB_D?"]', 'nets = ["USB_D?"]\nusb = "1209"', "stage plug.usb", "1209:0001"),
    ("hot = true  ", 'power = "perhaps"  ', "stage radio-header.power", "on, off or either"),
    ("baud = 115200\nframe = \"8E1\"", "baud = 30000000\nframe = \"8E1\"", "serial.baud", "from 1 to 20000000"),
    ('name = "Tern"', 'name = " "', "board.name", "not empty"),
    ('name = "qfn"', 'name = "qfp-48"', "package qfp-48.name", "each package once"),
    ('between = ["+3V3", "GND"]', 'between = ["GND", "GND"]', "stage no-short-3v3.between", "two places"),
    ("least = 50\n", "most = -1\n", "stage no-short-3v3.most", "zero or more"),
    ('nets = ["USB_D?"]', 'nets = ["USB_D?"]\nusb = "-1:1"', "stage plug.usb", "1209:0001"),
    ("hot = true  ", 'hot = true\npower = "on"  ', "stage radio-header.power", "off, or leave it out"),
    ('send = "who?"', 'send = "who?"\npower = "off"', "stage hello.power", "on, or leave it out"),
    ('after = ["memory"]', 'after = ["clock"]', "stage fpga.after", "stands above"),
    ('after = ["memory"]', 'after = ["fpga"]', "stage fpga.after", "stands above"),
    ('parts = ["U4", "U5", "Y1"]', 'parts = ["U4", "U55"]', "stage fpga.parts", "parts of the netlist"),
    ('nets = ["I2C_*"]', 'nets = ["I3C_*"]', "stage clock.nets", "nets of the netlist"),
    ('send = "who?"', 'send = "who?"\nsend_hex = "00"', "stage hello.send", "either send"),
    ('send = "who?"', 'send_hex = "0G"', "stage hello.send_hex", "hex bytes"),
    ('reply = "fpga: {id:hex}"', 'reply = "fpga: {id:hax}"', "stage fpga.reply", "one of the kinds"),
    ("expect.version = 1", "expect.versoin = 1", "stage hello.expect.versoin", "names like it: version"),
    ("expect.version = 1", "expect.version = 1.5", "stage hello.expect.version", "whole number"),
    ("expect.version = 1", "expect.version = []", "stage hello.expect.version", "at least one value"),
    ("degrees = { least = 5, most = 45 }", "degrees = { least = 50, most = 45 }", "degrees.least", "above"),
    ('id = "7E 12 0B 31"', 'id = "7E 12 0B 3"', "stage fpga.reads.id", "hex bytes"),
    ('part = "U7"\nbus', 'part = "U8"\nbus', "stage clock.reads.part", "a part of the netlist"),
    ('bus = "i2c"', 'bus = "tin"', "stage clock.reads.bus", "spi, i2c"),
    ('data-out = "I2C_SDA"', 'data-in = "I2C_SDA"', "stage clock.reads.lines.data-in", "data-out"),
    ('clock = "I2C_SCL"', 'clock = "I2C_SLC"', "stage clock.reads.lines.clock", "names like it: I2C_SCL"),
    ('known = { "5A 31 15"', 'known = { "5A 31"', "stage memory.reads.known", "3 hex bytes"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "key", "right"), WRONG, ids=[f"{key}-{n}" for n, (_, _, key, _) in enumerate(WRONG)]
)
def test_whatever_is_wrong_is_told_with_line_key_and_cure(old: str, new: str, key: str, right: str) -> None:
    assert old in EXAMPLE
    text = EXAMPLE.replace(old, new, 1)
    with pytest.raises(InputTrouble) as caught:
        parse(text)
    trouble = caught.value
    assert right in trouble.help
    assert "\x1b" not in "".join(trouble.lines())
    if key:
        assert key in trouble.where
        assert "b.toml, line " in trouble.where
    else:
        assert "b.toml, line " in trouble.note


def test_the_line_is_the_one_that_holds_the_key() -> None:
    text = EXAMPLE.replace('rail = "+1V2"', 'rail = "+1V8"')
    with pytest.raises(InputTrouble) as caught:
        parse(text)
    assert f"line {line_of(text, '+1V8')}," in caught.value.where


@pytest.mark.parametrize("gone", ["sync", "identify"])
def test_a_stage_that_needs_the_loader_needs_one_that_wakes_it(gone: str) -> None:
    start = EXAMPLE.index(f'[[stage]]\nid = "{gone}"')
    text = EXAMPLE[:start] + EXAMPLE[EXAMPLE.index("[[stage]]", start + 5) :]
    with pytest.raises(InputTrouble, match="kind") as caught:
        parse(text)
    assert gone in caught.value.help


def test_an_image_that_does_not_fit_the_chip_is_no_good() -> None:
    FILES["big.hex"] = b":020000040900F1\n:0400000000500020" + b"8C\n:00000001FF\n"
    with pytest.raises(InputTrouble, match="file") as caught:
        parse(EXAMPLE.replace("tern-b.hex", "big.hex"))
    assert "an image that fits" in caught.value.help


def test_a_file_that_is_none(tmp_path: Path) -> None:
    for data, words in ((b"\xff\xfe", "not UTF-8"), (b"[board", "not TOML"), (b"", "is missing")):
        file = tmp_path / "b.toml"
        file.write_bytes(data)
        with pytest.raises(InputTrouble, match=words):
            load_board(str(file))
    with pytest.raises(InputTrouble, match="cannot read"):
        load_board(str(tmp_path / "none.toml"))


def test_files_are_looked_for_beside_the_board_file(tmp_path: Path) -> None:
    for name, data in {"my.toml": EXAMPLE.encode(), **FILES}.items():
        (tmp_path / name).write_bytes(data)
    assert load_board(str(tmp_path / "my.toml")).digest == load_board("tern-b").digest


LINES = EXAMPLE.splitlines(keepends=True)


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(st.data())
def test_no_file_raises_anything_but_an_input_trouble(data: st.DataObject) -> None:
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        match data.draw(st.sampled_from(["drop", "double", "swap", "spoil"])):
            case "drop":
                del lines[at]
            case "double":
                lines.insert(at, lines[at])
            case "swap":
                other = data.draw(st.integers(0, len(lines) - 1))
                lines[at], lines[other] = lines[other], lines[at]
            case _:
                key = lines[at].partition("=")[0]
                lines[at] = f"{key}= {data.draw(st.sampled_from(['7', 'true', '[]', '{}', '-1e9', 'nan', '[[1]]']))}\n"
    with contextlib.suppress(InputTrouble):
        assert parse("".join(lines)).stages
