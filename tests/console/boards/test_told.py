"""The lines and the JSON of suspects: everything said, nothing twice, nothing unsafe."""

from __future__ import annotations

import json
from itertools import pairwise

from console.boards.circuit import Circuit
from console.boards.stagerun import Board, Exercises
from console.boards.suspects import Suspects, suspects
from console.boards.told import as_lines, as_object
from tests.console.boards.bench_board import BOARD, SERIAL, SPI, ran, row

FOUND = suspects(BOARD, [ran("loader answers", True, SERIAL), ran("flash identifies", False, SPI)])


def test_lines_say_where_why_how_and_what_is_left() -> None:
    lines = as_lines(FOUND, 5)
    text = "\n".join(lines)
    assert lines[0].startswith(f"1. {FOUND.groups[0].part}: ")
    assert sum(line.startswith("   - ") for line in lines) == 5
    assert "flash identifies failed and needs it" in text
    assert "look: " in text
    assert "caution: Power off" in text
    listed = len(list(FOUND.items()))
    assert f"and {listed - 5} more" in text
    assert "none of the known: " in lines[-1]


def test_a_caution_stands_at_each_visit_once() -> None:
    lines = as_lines(FOUND, 100)
    for start in (n for n, line in enumerate(lines) if line[0].isdigit()):
        visit = []
        for line in lines[start + 1 :]:
            if not line.startswith(" "):
                break
            visit.append(line)
        cautions = [line for line in visit if "caution: " in line]
        assert cautions
        assert all(one != other for one, other in pairwise(cautions))
    assert not any("more, each" in line for line in lines)


def test_nothing_failed() -> None:
    assert as_lines(Suspects((), 0.0)) == ["no stage failed: nothing to look at"]


def test_several_faults_are_said_first() -> None:
    lines = as_lines(Suspects((), 0.5, fewest=2, notes=("x",)))
    assert lines[0] == "it takes at least 2 lasting faults to explain what failed and what passed"
    lines = as_lines(suspects(BOARD, [ran("mystery", False, Exercises())]))
    assert "one that comes and goes?" in lines[0]
    assert lines[-1].startswith("note: mystery failed")


def test_json_holds_everything_and_is_plain() -> None:
    found = as_object(FOUND)
    again = json.loads(json.dumps(found, allow_nan=False))
    assert again == found
    assert [item["key"] for group in found["groups"] for item in group["suspects"]] == [i.key for i in FOUND.items()]


def test_hostile_names_come_out_as_escapes() -> None:
    evil = "\x1b]0;x\x07"
    pins = [*row("U1" + evil, 0, 0, 0.5, "A" + evil, "B"), *row("U2", 0, 5, 0.5, "A" + evil, "B")]
    found = suspects(Board(Circuit(pins)), [ran("s" + evil, False, Exercises(nets=frozenset({"*"})))])
    assert all(line.isprintable() for line in as_lines(found, 100))
    assert "\\u001b" not in json.dumps(as_object(found))
