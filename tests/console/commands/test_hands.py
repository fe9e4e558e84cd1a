"""Files of answers: what each entry does, when, and what is said about a wrong one."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from console.causes.catalogue import catalogue
from console.causes.rank import NextCheck
from console.commands.hands import FileHands
from console.errors import InputTrouble
from console.operating import Reply
from console.snapshot import Fold

NOW = Fold().snapshot()


def step(name: str) -> NextCheck:
    check = catalogue().step(name)
    assert check is not None
    answers = tuple((outcome, "") for outcome in check.outcomes)
    return NextCheck(
        name, check.title, 1, None, "", check.action, answers=answers, scale=check.scale, repair=name.startswith("R")
    )


def hands(tmp_path: Path, text: str) -> FileHands:
    path = tmp_path / "answers.toml"
    path.write_text(text, encoding="utf-8")
    return FileHands(path, lambda words: None)


async def test_entries_wait_for_their_step_and_free_ones_for_their_turn(tmp_path: Path) -> None:
    file = hands(
        tmp_path,
        """
        [[answer]]
        have = "golden-board"
        [[answer]]
        step = "K08"
        reading = "3.28 V"
        [[answer]]
        step = "K05"
        done = true
        [[answer]]
        note = "the lid was wet"
        [[answer]]
        step = "K06"
        outcome = "open"
        [[answer]]
        stop = true
        """,
    )
    assert await file.reply(step("K05"), NOW) == Reply("have", text="golden-board")
    assert (await file.reply(step("K05"), NOW)).kind == "done"
    assert (await file.reply(step("K08"), NOW)).value == pytest.approx(3.28)
    assert await file.reply(step("K06"), NOW) == Reply("note", text="the lid was wet")
    assert (await file.reply(step("K06"), NOW)).outcome == "open"
    assert (await file.reply(step("K06"), NOW)).kind == "stop"
    with pytest.raises(InputTrouble, match="no answer for K06") as caught:
        await file.reply(step("K06"), NOW)
    assert 'step = "K06"' in caught.value.help


@pytest.mark.parametrize(
    ("entry", "line", "words"),
    [
        ('step = "K08"\nreading = "240 V"', 3, "reading"),
        ('step = "K08"\nreading = "1 A"', 3, "reading"),
        ('step = "K08"\noutcome = "fine"', 3, "in-range"),
        ('step = "K08"\ndone = true', 3, "changes nothing"),
        ('step = "K08"', 2, "step with one of"),
        ('step = "K08"\nskip = false', 3, "true"),
        ('step = "K08"\nskip = true\ndone = true', 3, "step with one of"),
        ('have = "luck"', 2, "golden-board"),
        ('colour = "red"', 2, "step with one of"),
    ],
)
async def test_a_wrong_entry_is_named_with_file_and_line(tmp_path: Path, entry: str, line: int, words: str) -> None:
    with pytest.raises(InputTrouble) as caught:
        await hands(tmp_path, f"[[answer]]\n{entry}\n").reply(step("K08"), NOW)
    assert f"answers.toml, line {line}" in caught.value.where
    assert words in " ".join(caught.value.lines())


def test_a_missing_file_and_one_that_is_no_toml(tmp_path: Path) -> None:
    with pytest.raises(InputTrouble, match="cannot read"):
        FileHands(tmp_path / "nowhere.toml", lambda words: None)
    with pytest.raises(InputTrouble, match="not TOML"):
        hands(tmp_path, "answer answer")


@given(st.binary(max_size=200))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_file_is_answers_or_a_clear_refusal(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "any.toml"
    path.write_bytes(data)
    try:
        FileHands(path, lambda words: None)
    except InputTrouble:
        return
