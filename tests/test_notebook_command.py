"""`wakeline notebook` and the sessions that other commands keep: exit codes, JSON, words."""

from __future__ import annotations

import asyncio
import contextlib
import csv
import io
import json
import re
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from console.bench.chips import UNIQUE_ID
from console.bench.client import SimulatedBench
from console.cli import run
from console.errors import Outcome
from console.notebook.entry import Fix
from console.notebook.place import default_path
from console.notebook.store import Notebook
from tests.console.notebook.conftest import entry
from tests.test_commands import check_contract, wakeline

BAD = Outcome.NO_ANSWER


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """Four boards that stopped at sync: three fixed at U4, one at Y1, all confirmed; a fifth waits."""
    path = tmp_path / "club.sqlite"
    with Notebook.open(path) as kept:
        for n, part in enumerate(["U4", "U4", "U4", "Y1"], 1):
            number = kept.store(entry(f"tern-0{n}", first=BAD))
            kept.add_fix(number, Fix("board-rx-open", part, "17", "=reflowed"), 0)
            kept.store(entry(f"tern-0{n}", day=1))
        kept.store(entry("tern-05", day=2, first=BAD))
    return path


def notebook(*words: str | Path) -> tuple[int, str, str]:
    """`wakeline notebook` in this process; returns exit code, output, errors."""
    out, err = io.StringIO(newline=""), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run(["notebook", *map(str, words)])
    return code, out.getvalue(), err.getvalue()


def ask(*words: str | Path) -> dict[str, Any]:
    """Its JSON object."""
    code, out, err = notebook(*words, "--json")
    assert (code, err) == (0, "")
    found: dict[str, Any] = json.loads(out)
    assert (found["outcome"], found["error"]) == ("ok", None)
    return found


def test_the_story_from_failure_to_a_fix_that_counts(book: Path) -> None:
    code, out, _ = notebook("show", "tern-05", "--notebook", book)
    assert code == 0
    assert "3 of 4 boards that stopped at sync with the same reading were fixed at U4" in out
    photo = book.with_name("pin.jpg")
    photo.write_bytes(b"")
    words = ("--cause", "board-rx-open", "--part", "U4", "--joint", "17", "--photo", photo)
    found = ask("add-fix", "tern-05", *words, "--notebook", book)
    (fix,) = found["session"]["fixes"]
    assert (fix["part"], fix["joint"], fix["confirmed"], fix["photos"]) == ("U4", "17", False, [str(photo)])
    with Notebook.open(book) as kept:
        kept.store(entry("tern-05", day=3))
    stats = ask("stats", "--board", "tern-05", "--notebook", book)
    assert stats["yield"]["first_pass"]["hits"] == 0
    assert stats["yield"]["in_the_end"] == {"hits": 5, "of": 5, "low": 0.5655, "high": 1.0}  # statsmodels, Wilson 5/5
    assert [(bar["part"], bar["hits"]) for bar in stats["parts"]] == [("U4", 4), ("Y1", 1)]
    (prior,) = (row for row in stats["priors"] if row["cause"] == "board-rx-open")
    assert prior["confirmed"] == 5
    assert prior["table"] < prior["used"] < prior["share"] == 1
    assert stats["board"][0]["sisters"] == 4


def test_list_and_search(book: Path) -> None:
    found = ask("list", "no-answer", "U4", "--notebook", book)
    assert [row["board"] for row in found["sessions"]] == ["tern-03", "tern-02", "tern-01"]
    assert len((ask("list", "--last", "2", "--notebook", book))["sessions"]) == 2
    code, out, _ = notebook("list", "--notebook", book, "--board", "TERN-01")
    assert (code, out.count("tern-01")) == (0, 2)
    code, out, _ = notebook("list", "nothing-like-it", "--notebook", book)
    assert (code, out) == (0, "no session in the notebook fits\n")


def test_export_to_a_pipe_and_to_a_file_never_over_one(book: Path, tmp_path: Path) -> None:
    code, out, _ = notebook("export", "--notebook", book)
    rows = list(csv.DictReader(io.StringIO(out, newline="")))
    assert (code, len(rows)) == (0, 9)
    assert rows[0]["fix_note"] == "'=reflowed"
    target = tmp_path / "out.json"
    words = ("export", "--format", "json", "-o", target, "--notebook", book)
    assert ask(*words)["count"] == 9
    written = json.loads(target.read_text())
    assert written == (ask("export", "--notebook", book))["sessions"]
    code, _, err = notebook(*words)
    assert (code, "output-exists" in err) == (7, True)
    assert (ask(*words, "--overwrite"))["written"] == str(target)


@pytest.mark.parametrize(
    ("words", "code", "key"),
    [
        (["list"], 7, "notebook-missing"),
        (["add-fix", "tern-07", "--cause", "target-dead"], 7, "notebook-missing"),
        (["show", "99", "BOOK"], 7, "no-session"),
        (["show", "tern-99", "BOOK"], 7, "no-board"),
        (["stats", "--board", "tern-99", "BOOK"], 7, "no-board"),
        (["add-fix", "tern-99", "--part", "U4", "BOOK"], 7, "no-board"),
        (["add-fix", "2", "--part", "U4", "BOOK"], 7, "no-failure"),
        (["add-fix", "tern-05", "BOOK"], 2, "usage"),
        (["add-fix", "tern-05", "--joint", "17", "--note", "x", "BOOK"], 2, "usage"),
        (["add-fix", "tern-05", "--cause", "bad-luck", "BOOK"], 2, "cause"),
        (["add-fix", "tern-05", "--note", "x", "--photo", "none.jpg", "BOOK"], 7, "photo"),
        (["list", "--last", "-1", "BOOK"], 2, "usage"),
        ([], 2, "usage"),
        (["forget"], 2, "usage"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_bad_input_has_a_word_and_its_exit_code(book: Path, words: list[str], code: int, key: str) -> None:
    found = [part for word in words for part in (["--notebook", str(book)] if word == "BOOK" else [word])]
    got, out, err = notebook(*found)
    assert (got, out) == (code, "")
    assert f"error {key}" in err
    assert "next:" in err
    assert not default_path().exists()


@pytest.mark.parametrize("verb", ["list", "show", "add-fix", "stats", "export"])
def test_every_part_of_the_command_explains_itself(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        run(["notebook", verb, "--help"])
    assert left.value.code == 0
    assert "--notebook FILE" in capsys.readouterr().out


async def here(*words: str | Path) -> tuple[int, str, str]:
    """Any command in this process, beside a bench in its own; returns exit code, output, errors."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = await asyncio.to_thread(run, [str(word) for word in words])
    return code, out.getvalue(), err.getvalue()


async def test_a_handshake_is_kept_where_it_was_asked_for(tmp_path: Path) -> None:
    book, record = tmp_path / "club.sqlite", tmp_path / "a.pcapng"
    async with SimulatedBench() as bench:
        await bench.start(fault="wires-uncrossed")
        words = ("--board", "tern-07", "--design", "tern", "--revision", "C", "--notebook", book)
        code, out, err = await here("handshake", bench.port, "--listen", "0", "--json", "--record", record, *words)
        assert (code, err) == (3, "")
        assert check_contract(out)["notebook"]["session"] == 1
        code, out, _ = await here("handshake", bench.port, "--listen", "0", "--board", "tern-07")
        assert code == 3
        assert "a simulated board is kept only in a notebook that is named" in out
    assert not default_path().exists()
    found = (ask("show", "1", "--notebook", book))["session"]
    assert (found["board"], found["revision"], found["simulated"]) == ("tern-07", "C", True)
    assert found["design"] == "tern"
    assert (found["capture"], len(found["capture_sha256"])) == (str(record), 64)
    assert found["suspect"] == "wires-uncrossed"
    # whoever gets the capture alone can tell, too
    assert "simulated yes" in (await here("transcript", record))[1]
    assert "a simulated board" in (await here("transcript", record))[1]
    assert re.search(r"(?m)^ *board:? +simulated$", (await here("report", record, "--text"))[1])


def test_statistics_by_design_show_how_they_shrink(tmp_path: Path) -> None:
    path = tmp_path / "club.sqlite"
    with Notebook.open(path) as kept:
        for n, (design, part) in enumerate([("tern", "U4"), ("tern", "U4"), ("gull", "U9")]):
            built = {"design": design, "revision": "B"}
            number = kept.store(entry(f"{design}-{n}", first=BAD, **built))
            kept.add_fix(number, Fix("board-rx-open", part, "17"), 0)
            kept.store(entry(f"{design}-{n}", day=1, **built))
    stats = ask("stats", "--notebook", path)
    gull, tern = stats["designs"]
    assert (tern["design"], tern["revision"], tern["boards"], gull["boards"]) == ("tern", "B", 2, 1)
    (row,) = tern["priors"]
    assert (row["cause"], row["confirmed"], row["own"]) == ("board-rx-open", 3, 2)
    assert row["table"] < gull["priors"][0]["used"] < row["used"]
    (place,) = tern["places"]
    assert (place["part"], place["joint"], place["hits"], place["of"]) == ("U4", "17", 2, 2)
    assert place["table"] < place["used"] < 0.05  # two boards prove little
    _, out, _ = notebook("stats", "--notebook", path)
    assert "tern, revision B, 2 boards: fixes of other boards, its own, and what is used of all" in out
    assert "U4 of tern, revision B" in out
    assert "U4 joint 17" in out


def test_a_silent_session_is_not_told_what_was_learned_later(book: Path) -> None:
    _, out, _ = notebook("show", "1", "--notebook", book)
    assert "read from the chip: nothing in this session" in out
    assert "known of this board from other sessions: product id 0x410" in out
    found = ask("show", "1", "--notebook", book)["session"]
    assert (found["product_id"], found["unique_id"], found["board_known"]["product_id"]) == (None, None, "0x410")
    assert [row["product_id"] for row in ask("list", "tern-01", "--notebook", book)["sessions"]] == ["0x410", None]


async def test_a_command_on_the_chip_is_kept_too(tmp_path: Path) -> None:
    book, out = tmp_path / "club.sqlite", tmp_path / "flash.bin"
    async with SimulatedBench() as bench:
        await bench.start()
        words = ("--length", "16", "--listen", "0", "-o", out, "--board", "tern-07", "--notebook", book)
        code, told, err = await wakeline("read", bench.port, *words)
    assert (code, err) == (0, "")
    assert "notebook: kept as session 1" in told
    assert f"unique id {UNIQUE_ID.hex()}" in told
    found = (ask("show", "tern-07", "--notebook", book))["session"]
    assert (found["outcome"], found["simulated"], out.stat().st_size) == ("ok", True, 16)
    assert found["unique_id"] == UNIQUE_ID.hex()


async def test_a_handshake_ranks_by_what_the_bench_has_learned(book: Path) -> None:
    with Notebook.open(book) as kept:
        for n in range(10, 20):
            kept.add_fix(kept.store(entry(f"tern-{n}", first=BAD)), Fix("board-rx-open", "U4"), 0)
            kept.store(entry(f"tern-{n}", day=1))
    async with SimulatedBench() as bench:
        await bench.start(fault="wires-uncrossed")
        _, out, _ = await here("handshake", bench.port, "--listen", "0", "--json", "--notebook", book)
        found = check_contract(out)
        assert found["causes"][0]["id"] == "board-rx-open"  # by the table alone it is wires-uncrossed
        assert found["notebook"]["similar"]["fixed_at"][0] == {"place": "U4", "boards": 13}


async def test_a_notebook_that_cannot_be_used_is_told_before_the_port_is_touched(tmp_path: Path) -> None:
    book = tmp_path / "club.sqlite"
    book.write_text("shopping list")
    code, out, err = await here("handshake", "no-such-port", "--notebook", book)
    assert (code, out) == (7, "")
    assert "notebook-foreign" in err
    code, _, err = await here("handshake", "no-such-port", "--board", "7")
    assert (code, "error board" in err) == (2, True)


async def test_trouble_with_the_own_notebook_never_stops_a_handshake() -> None:
    default_path().parent.mkdir(parents=True)
    db = sqlite3.connect(default_path())
    with db:
        db.execute("CREATE TABLE somebody_elses (x)")
    db.close()
    async with SimulatedBench() as bench:
        await bench.start()
        code, out, err = await here("handshake", bench.port, "--listen", "0")
    assert code == 0
    assert "product id 0x410" in out
    assert "notebook-foreign" in err


async def test_the_demo_goes_only_into_a_notebook_that_is_named(tmp_path: Path) -> None:
    book = tmp_path / "club.sqlite"
    code, out, _ = await here("demo", "--headless", "--notebook", book)
    assert code == 0
    assert "kept as session 1" in out
    found = (ask("show", "tern-07", "--notebook", book))["session"]
    assert (found["first_outcome"], found["outcome"], found["simulated"]) == ("no-answer", "ok", True)
    assert [(fix["cause"], fix["noted_by"], fix["confirmed"]) for fix in found["fixes"]] == [
        ("wires-uncrossed", "wakeline", False)  # a simulated board proves nothing about real ones
    ]
    stats = ask("stats", "--notebook", book)
    assert stats["yield"]["first_pass"]["of"] == 0
    assert all(row["confirmed"] == 0 for row in stats["priors"])
    assert not default_path().exists()
