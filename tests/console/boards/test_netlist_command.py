"""`wakeline netlist` as people and scripts use it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from console.boards.examples import example_netlist
from console.cli import run

ROOT = Path(__file__).resolve().parents[3]


def told(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = run(["netlist", *words])
    out, err = capsys.readouterr()
    return code, out, err


def as_object(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    code, out, err = told(capsys, *words, "--json")
    assert (code, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    assert (found["outcome"], found["error"]) == ("ok", None)
    return found


def test_the_summary_of_a_file_and_of_the_example(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    file = tmp_path / "board.356"
    file.write_bytes(example_netlist("tern-b").replace(b"999\n", b"what is this\n999\n"))
    code, out, _ = told(capsys, str(file))
    assert code == 0
    assert "40 parts, 229 pins (69 joined to nothing), 38 nets, 17 vias, 2 unplated holes, 2 long net names" in out
    assert out.endswith("warning: a line is no record of this format and was left out (line 262)\n")
    assert "example tern-b" in told(capsys, "tern-b")[1]
    found = as_object(capsys, str(file))
    assert (found["parts"], found["pins"], found["nets"], found["units"]) == (40, 229, 38, "0.001 mm")
    assert found["warnings"] == [
        {"text": "a line is no record of this format and was left out", "count": 1, "lines": [262]}
    ]
    assert "BOOT0" in found["net_names"]


def test_a_file_with_the_name_of_the_example_comes_first(capsys: pytest.CaptureFixture[str]) -> None:
    Path("tern-b").write_bytes(b"327A                U1    -1          A01X+000000Y+000000\n999")
    assert told(capsys, "tern-b")[1].startswith("netlist tern-b, unit 0.0001 inch\n1 part, 1 pin (0 ")


def test_a_net_a_part_and_a_pin(capsys: pytest.CaptureFixture[str]) -> None:
    assert told(capsys, "tern-b", "--net", "boot0")[1].startswith("net BOOT0: 3 parts, 3 pins, 0 vias\n")
    assert told(capsys, "tern-b", "--part", "u6")[1].startswith("part U6: 8 pins, on top\n")
    for pin in ("U4.31", "U4-31", "u4.31"):
        assert told(capsys, "tern-b", "--pin", pin)[1].startswith("pin U4.31: net MCU_RX, ")
    net = as_object(capsys, "tern-b", "--net", "SPI_MISO")["net"]
    assert [(pin["part"], pin["pin"]) for pin in net["pins"]] == [("U4", "16"), ("U5", "17"), ("U6", "2")]
    assert {place["part"] for place in net["probe"]} == {"U4", "U5", "U6", "VIA"}
    assert len(as_object(capsys, "tern-b", "--part", "U4")["part"]["pins"]) == 48
    near = as_object(capsys, "tern-b", "--pin", "U4.31")["pin"]["neighbours"][0]
    assert (near["part"], near["pin"], near["distance_mm"]) == ("U4", "30", 0.5)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--net", "BOOT"), "names like it: BOOT0"),
        (("--part", "U9"), "no part 'U9' in it"),
        (("--pin", "U4.99"), "no pin 'U4.99' in it"),
        (("--pin", "U99.1"), "no part 'U99' in it"),
        (("--pin", "31"), "no part '31' in it"),
        (("--net", "\x1b[2J"), r"'\\x1b[2J'"),
        (("--net", "A", "--part", "B"), "not allowed with"),
    ],
)
def test_a_name_that_is_not_there(capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str) -> None:
    code, out, err = told(capsys, "tern-b", *words)
    assert (code, out) == (2, "")
    assert said in err
    assert "\x1b" not in err


@pytest.mark.parametrize("name", ["missing.356", ".", "nul\0"])
def test_a_file_that_cannot_be_read(capsys: pytest.CaptureFixture[str], name: str) -> None:
    code, _, err = told(capsys, name)
    assert code == 7
    assert "error netlist: cannot read the netlist" in err
    assert "tern-b" in err


def test_another_kind_of_file(capsys: pytest.CaptureFixture[str]) -> None:
    Path("x.txt").write_text("hello\n", encoding="utf-8")
    code, out, _ = told(capsys, "x.txt", "--json")
    assert (code, json.loads(out)["error"]["code"]) == (7, "netlist")


def test_a_big_board_is_summed_up_on_a_screen(capsys: pytest.CaptureFixture[str]) -> None:
    lines = [f"327NET{n:<11}   U{n:<5}-1          A01X+{n:06}Y+000000" for n in range(3000)]
    Path("big.356").write_text("\n".join([*lines, "999"]), encoding="ascii")
    out = told(capsys, "big.356")[1]
    assert len(out.splitlines()) <= 24
    assert "more lines; --json lists all" in out


def test_where_the_character_set_is_poor_signs_become_escapes() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "console", "netlist", "tern-b", "--net", "BOOT0"],
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=True,
        text=True,
    )
    assert (done.stderr, "\\u2514" in done.stdout) == ("", True)
