"""`wakeline image` as scripts and people use it: words, JSON, exit codes."""

from __future__ import annotations

import argparse
import json
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.cli import run
from console.commands.options.values import address
from tests.firmware import intel_hex

CODE = struct.pack("<II", 0x2000_5000, 0x0800_0131) + bytes(range(256)) * 4
CHIP = """
[[chip]]
product_ids = [0x777]
name = "own chip"
flash_start = 0x0800_0000
pages = [{ count = 2, size = 0x400 }]
unit = "page"
granule = 8
ram = [{ start = 0x2000_0000, size = 0x5000 }]
page_erase_s = 0.1
program_s = 0.1
source = "invented for this test"
"""


@pytest.fixture
def tern(tmp_path: Path) -> str:
    """A program for a logger, with calibration behind a gap."""
    made = tmp_path / "tern.hex"
    made.write_text(intel_hex([(0x0800_0000, CODE), (0x0800_0800, b"calibration")], 0x0800_0131))
    return str(made)


def test_a_program_that_fits(tern: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["image", tern, "--chip", "0x410"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    for words in (
        "intel-hex",
        "0x08000000 to 0x0800080A",
        "gap      0x08000408 to 0x080007FF       1016",
        "entry    0x08000131",
        "stack 0x20005000, reset 0x08000131",
        "on F10x medium density:",
        "in pages 0 to 2",
    ):
        assert words in out
    assert "stops" not in out
    assert run(["image", tern]) == 0
    assert "--chip" in capsys.readouterr().out


def test_as_json(tern: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["image", tern, "--chip", "0x410", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["outcome"], found["format"], found["size"], found["error"]) == ("ok", "intel-hex", 1043, None)
    assert found["segments"] == [{"address": 0x0800_0000, "size": 1032}, {"address": 0x0800_0800, "size": 11}]
    assert found["gaps"] == [{"address": 0x0800_0408, "size": 1016}]
    assert found["vectors"] == {"address": 0x0800_0000, "stack_pointer": 0x2000_5000, "reset": 0x0800_0131}
    assert found["chip"] == {"name": "F10x medium density", "product_ids": [0x410]}
    assert {finding["severity"] for finding in found["findings"]} == {"fine"}


def test_a_program_that_does_not_fit_leaves_with_7(
    tern: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "own.toml").write_text(CHIP)
    words = ["image", tern, "--chip-file", str(tmp_path / "own.toml")]
    assert run(words) == 7
    out, err = capsys.readouterr()
    assert "✗ stops  0x08000800" in out
    assert "error image-fit" in err
    assert "own chip" in err
    assert run([*words, "--json"]) == 7
    found = json.loads(capsys.readouterr().out)
    assert (found["outcome"], found["error"]["code"]) == ("input", "image-fit")


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--chip", "F4"], 2, "'F411'"),
        (["--address", "0"], 2, "leave --address out"),
        (["--format", "elf"], 7, "image-elf"),
        (["--format", "tar"], 2, "usage"),
        (["--address", "08000000"], 2, "hex begins with 0x"),
        (["--chip-file", "absent.toml"], 7, "absent.toml"),
    ],
)
def test_what_is_wrong_is_said(
    words: list[str], code: int, told: str, tern: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["image", tern, *words]) == code
    assert told in capsys.readouterr().err
    assert run(["image", tern, *words, "--json"]) == code
    assert json.loads(capsys.readouterr().out)["error"]["help"]


def test_raw_data_and_many_parts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "raw\x1b.bin").write_bytes(CODE)
    assert run(["image", str(tmp_path / "raw\x1b.bin"), "--address", "0x0800_0000", "--chip", "410"]) == 0
    out = capsys.readouterr().out
    assert "raw\\x1b.bin" in out
    assert "\x1b" not in out
    many = tmp_path / "many.hex"
    many.write_text(intel_hex([(0x0800_0000 + 32 * n, b"x") for n in range(40)]))
    assert run(["image", str(many)]) == 0
    assert "and 24 more parts" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("text", "value"), [("0x0800_0000", 0x0800_0000), ("0X8000000", 0x0800_0000), ("134217728", 0x0800_0000), ("0", 0)]
)
def test_addresses(text: str, value: int) -> None:
    assert address(text) == value


@pytest.mark.parametrize(
    "text",
    ["", "-1", "0x1_0000_0000", "4294967296", "08000000", "8000000h", "0x", "0x_1", "1__0", "0b1", " 1", "1.0", "٣"],
)
def test_what_is_no_address(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError):
        address(text)


@given(st.integers(0, 0xFFFF_FFFF))
def test_every_address_can_be_written(value: int) -> None:
    assert address(str(value)) == address(f"{value:#x}") == address(f"{value:#_x}") == value
