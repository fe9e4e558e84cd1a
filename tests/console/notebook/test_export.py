"""CSV and JSON for other programs: read back by the general csv module, harmless to a spreadsheet."""

from __future__ import annotations

import csv
import io
import json
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from console.errors import Outcome
from console.notebook.entry import Fix
from console.notebook.export import COLUMNS, as_object, cell, csv_text, sessions_csv
from console.notebook.store import Notebook
from console.text import clean

# OWASP, "CSV Injection": cells that begin with = + - @, tab or carriage return (from memory)
STARTS = "=+-@\t\r"


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+1",
        "-1+1",
        "@SUM(A1)",
        "\t=1",
        "\r=1",
        "＝1+1",
        " =1+1",
        "=cmd|' /C calc'!A0",
        '=HYPERLINK("http://x")',
    ],
)
def test_what_a_spreadsheet_could_run_is_text(text: str) -> None:
    assert not cell(text).lstrip().startswith(tuple(STARTS + "＝"))


@pytest.mark.parametrize("text", ["", " ", "tern-07", "U4 joint 17", "0x410", "3.02 V", "Fluß, 'quoted'"])
def test_plain_text_stays_as_it_is(text: str) -> None:
    assert cell(text) == text


@given(st.lists(st.lists(st.one_of(st.text(max_size=30), st.integers(-(10**9), 10**9)), min_size=1), min_size=1))
@example([["'=1", "'", "''", "\x1b]0;x\x07", "a,b", 'a"b', "a\nb", "a;=1", -5]])
def test_any_table_reads_back_and_holds_no_formula(table: list[list[str | int]]) -> None:
    text = csv_text(table)
    assert not {unicodedata.category(char)[0] for char in text.replace("\r\n", "")} & {"C"}
    back = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert len(back) == len(table)
    for row, read in zip(table, back, strict=True):
        for value, got in zip(row, read, strict=True):
            if isinstance(value, int):
                assert int(got) == value
                continue
            assert not got.lstrip().startswith(tuple(STARTS))
            # the apostrophe in front is the only change beyond making it printable, and can be undone
            assert (got[1:] if got.startswith("'") else got) == clean(value)


def test_sessions_as_csv_and_json_say_the_same(file: Path, make: Any) -> None:
    with Notebook.open(file) as notebook:
        number = notebook.store(
            make(first=Outcome.NO_ANSWER, revision="C", capture="a.pcapng", capture_sha256="ab" * 32)
        )
        notebook.add_fix(number, Fix("board-rx-open", "U4", "17", "=not a formula", photos=("a.jpg",)), 0)
        notebook.store(make(day=1))
        found = [notebook.session(row.id) for row in reversed(notebook.sessions())]
    rows = list(csv.DictReader(io.StringIO(sessions_csv(found), newline="")))
    assert [tuple(row) for row in rows] == [COLUMNS, COLUMNS]
    objects = json.loads(json.dumps([as_object(one) for one in found]))
    assert rows[0]["fix_note"] == "'=not a formula"
    assert objects[0]["fixes"][0]["note"] == "=not a formula"
    for row, one in zip(rows, objects, strict=True):
        for column in ("begun_utc", "board", "port", "outcome", "first_outcome", "stopped_at", "capture_sha256"):
            assert row[column] == (one[column] or "")
        assert (row["simulated"] == "yes") == one["simulated"]
    assert (rows[0]["confirmed"], rows[1]["confirmed"], rows[0]["seen"]) == ("yes", "", "silence")
    assert rows[0]["begun_utc"] == "2025-10-09T08:53:20Z"  # 1760000000 s after the epoch (date -u -d @1760000000)
