"""Every capture in captures/ must read today as it did when it was accepted; tshark must agree on its bytes."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from console.commands.replay import fold_file
from console.events import Chunk
from console.record.pcapng import CaptureFile
from console.summary import as_object

FOLDER = Path(__file__).resolve().parent.parent / "captures"
NAMES = sorted(path.stem for path in FOLDER.glob("*.pcapng"))


def test_there_are_enough_and_none_without_a_reading() -> None:
    assert len(NAMES) >= 8
    assert sorted(path.name.removesuffix(".expected.json") for path in FOLDER.glob("*.expected.json")) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_capture_reads_as_expected(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    found = as_object(fold_file(FOLDER / f"{name}.pcapng").snapshot())
    assert found == json.loads((FOLDER / f"{name}.expected.json").read_text(encoding="utf-8"))
    assert ("cut" in capsys.readouterr().err) == (name == "cut-in-the-middle")


@pytest.mark.outside
@pytest.mark.skipif(shutil.which("tshark") is None, reason="tshark is not installed (Debian package tshark)")
@pytest.mark.parametrize("name", [name for name in NAMES if name != "cut-in-the-middle"])
def test_tshark_agrees_on_count_direction_and_bytes(name: str) -> None:
    # outside source: tshark's own dissector of LINKTYPE_RTAC_SERIAL (link type 250)
    path = FOLDER / f"{name}.pcapng"
    fields = ["rtacser.eventtype", "data.data", "frame.packet_flags"]
    run = subprocess.run(
        ["tshark", "-r", str(path), "-T", "fields", "-E", "separator=|", *(w for f in fields for w in ("-e", f))],
        capture_output=True,
        text=True,
        check=True,
    )
    theirs = [tuple(line.split("|")) for line in run.stdout.splitlines()]
    codes = {"out": ("0x01", "0x00000002"), "in": ("0x02", "0x00000001")}
    ours = [
        (codes[e.direction][0], e.data.hex(), codes[e.direction][1])
        for e in CaptureFile(path).events()
        if isinstance(e, Chunk)
    ]
    assert [row for row in theirs if row[1]] == ours
