"""The notebook's words: counts beside every share, singular and plural, nothing that misleads."""

from __future__ import annotations

from typing import Any

import pytest

from console.errors import Outcome
from console.notebook import words
from console.notebook.entry import Fix, entry_of
from console.notebook.history import BoardRun, Confirmed, Design
from console.notebook.statistics import Against, Similar, shrinkage
from console.notebook.store import Notebook
from console.shares import pareto

BAD, GOOD = Outcome.NO_ANSWER, Outcome.OK


def test_similar_cases_in_counts() -> None:
    like = Similar((("U4", 3), ("wires-uncrossed", 1)), 4, 1)
    assert words.similar_lines(like, "sync") == [
        "3 of 4 boards that stopped at sync with the same reading were fixed at U4",
        "1 of 4 boards that stopped at sync with the same reading was fixed: TX and RX are not crossed",
        "1 more board that stopped at sync with the same reading has no confirmed fix",
    ]
    assert words.similar_lines(Similar((), 0, 2), "sync") == [
        "2 boards that stopped at sync with the same reading have no confirmed fix"
    ]


def test_yield_pareto_and_priors() -> None:
    assert words.yield_lines([BoardRun("a", BAD, GOOD)])[0].startswith("first pass: 0 of 1")
    assert "no named board" in words.yield_lines([])[0]
    (first, *_) = words.pareto_lines(pareto(["board-rx-open", "board-rx-open", "target-dead"]), titled=True)
    assert first.split()[:3] == ["2", "of", "3"]
    assert "open joint in the board's RX path  [board-rx-open]" in first
    table = words.prior_lines(shrinkage({"a": 0.75, "b": 0.25}, [Confirmed(Fix("b"), Design())] * 10))
    assert table[1].split() == ["25", "%", "10", "99", "%", "62", "%", "b"]  # (2.5 + 10) / 20
    assert table[2].split() == ["75", "%", "0", "0", "38", "%", "a"]  # 7.5 / 20


@pytest.mark.parametrize(
    ("against", "says"),
    [
        (Against("sync", 9600, 0.5, 0, None, None), "no sister to compare with"),
        (Against("sync", 9600, 0.5, 1, 0.4, None), "median of 1 sister 400.00 ms: too few to judge"),
        (Against("sync", 9600, 0.5, 5, 0.4, 1.0), "robust z +1.0"),
        (Against("sync", 9600, 0.9, 5, 0.4, 9.0), "robust z +9.0, stands out"),
        (Against("sync", 9600, 0.9, 5, 0.4, float("inf")), "far off, stands out"),
    ],
)
def test_a_board_against_its_sisters(against: Against, says: str) -> None:
    text = words.against_line(against)
    assert text.endswith(says)
    assert text.startswith("▲") == against.odd


def test_a_page_tells_the_whole_story(told: Any, file: Any) -> None:
    told.tries(answers=False).does("check", check="K08", outcome="in-range", value=3.3, unit="V")
    told.does("swap-done", check="K05").tries(answers=True)
    made = entry_of(told.snapshot, tool_version="0.1.0", board="tern-07", revision="C", capture="a.pcapng")
    assert made is not None
    with Notebook.open(file) as notebook:
        found = notebook.session(notebook.store(made))
    text = "\n".join(words.detail_lines(found, Similar((("J1", 1),), 1, 0)))
    for said in (
        "✓ passed after a fix", "board: tern-07, revision C", "read from the chip: product id 0x410",
        "baud 115200", "capture: a.pcapng",
        "could not be read", "seen: silence", "measure the supply at the chip's own pins: in-range 3.3 V",
        "swap TX and RX at the adapter and try again", "what fixed it:", "[wires-uncrossed]", "noted by wakeline",
        "1 of 1 board that stopped",
    ):  # fmt: skip
        assert said in text
    assert text.index("attempt 1") < text.index("swap TX and RX") < text.index("attempt 2") < text.index("what fixed")


def test_rows_say_how_it_went(file: Any, make: Any) -> None:
    with Notebook.open(file) as notebook:
        notebook.store(make())
        notebook.store(make("", day=1, first=BAD, simulated=True))
        notebook.store(make(day=2, first=BAD, last=GOOD))
        notebook.add_fix(notebook.store(make(day=3, first=BAD)), Fix("target-dead", "U2"), 0)
        lines = [words.row_line(row) for row in reversed(notebook.sessions())]
    says = ("✓ passed at once", "✗ no-answer at sync     wires-uncrossed?", "✓ passed in the end", "U2 target-dead")
    for text, said in zip(lines, says, strict=True):
        assert said in text
    assert "2~" in lines[1]
    assert words.NO_NAME in lines[1]
    assert words.cause_title("unheard-of") == "unheard-of"
