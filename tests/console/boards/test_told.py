"""What suspects say together: how many faults it takes, who is faulty with whom, nothing unsafe."""

from __future__ import annotations

from console.boards.stagerun import Exercises
from console.boards.suspects import Explanation, Suspects, suspects
from console.boards.told import together
from tests.console.boards.bench_board import BOARD, ran


def test_nothing_failed() -> None:
    assert list(together(Suspects((), 0.0))) == []


def test_several_faults_are_said() -> None:
    (line,) = together(Suspects((), 0.5, fewest=2))
    assert line == "it takes at least 2 lasting faults to explain what failed and what passed"
    (line,) = together(suspects(BOARD, [ran("mystery", False, Exercises())]))
    assert "one that comes and goes?" in line


def test_likely_pairs_are_named_and_hostile_names_come_out_as_escapes() -> None:
    pairs = [Explanation(frozenset({"U4", "Y1\x1b[2J"}), 0.4), Explanation(frozenset({"U5", "U6"}), 0.05)]
    (line,) = together(Suspects((), 0.5, explanations=tuple(pairs)))
    assert line == "U4 and Y1\\x1b[2J faulty together: 40 %"
