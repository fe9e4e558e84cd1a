"""Files of answers and persons at a prompt: what is asked, what each answer does, what is said about a wrong one."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from console.boards.board_file import load_board
from console.bringup import asking
from console.causes.catalogue import catalogue
from console.causes.rank import NextCheck
from console.commands.hands import FileHands, PromptHands
from console.errors import InputTrouble
from console.events import Mark, MarkKind
from console.operating import OTHER, Hands, Reply
from console.snapshot import Fold, Snapshot

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


# ------------------------------------------------------------------------------------------------ a person at a prompt

TERN = load_board("tern-b")


class Asked:
    """A plan's question as the record holds it, and lines that a person types."""

    def __init__(self, check: NextCheck, typed: list[str], monkeypatch: pytest.MonkeyPatch, *, undoable: bool) -> None:
        self.check = check
        self.said: list[str] = []
        fold = Fold()
        for fields in ({"step": "plan", "board": "Tern"}, {"step": "ask", "id": check.id, "undoable": undoable}):
            fold.add(Mark(1, MarkKind.BRINGUP, fields))
        self.snapshot = fold.snapshot()
        monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in typed)))

    async def reply(self, bench: Hands | None = None) -> Reply:
        return await PromptHands(self.said.append, bench).reply(self.check, self.snapshot)


async def test_a_reading_is_asked_for_with_place_limits_source_and_all_that_can_be_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    check = asking.by_hand(TERN, TERN.stage("rail-3v3"))
    asked = Asked(check, ["3290 mV"], monkeypatch, undoable=False)
    reply = await asked.reply()
    assert (reply.outcome, reply.value) == ("good", pytest.approx(3.29))
    lines = [line.strip() for line in asked.said[0].split("\n")]
    assert lines == [
        "do: measure +3V3 at TP1.1 against ground (about 1 min)",
        "why: 3.3 V supply: right is 3.135 to 3.465 V (3.3 V, 5 % either way)",
        "answer with one of:",
        "the value in V, as the meter shows it: 1.25 or 1250 mV",
        "a or low: below 3.135 V",
        "b or good: 3.135 to 3.465 V",
        "c or high: above 3.465 V",
        "skip: leave it out, note TEXT: into the record, stop: leave the plan, ?: this again",
    ]


async def test_ohms_between_nets_name_places_that_a_probe_reaches(monkeypatch: pytest.MonkeyPatch) -> None:
    check = asking.by_hand(TERN, TERN.stage("no-short-3v3"))
    asked = Asked(check, ["open"], monkeypatch, undoable=True)
    assert (await asked.reply()).value == float("inf")
    told = asked.said[0]
    assert "+3V3 is at TP1.1" in told
    assert "GND is at J1.5" in told
    assert "right is at least 50 ohm" in told
    assert "undo: take the latest answer back" in told
    assert "1e+" not in told


async def test_the_question_can_be_seen_again_and_wrong_words_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    check = asking.by_hand(TERN, TERN.stage("look-chips"))
    asked = Asked(check, ["?", "", "purple", "undo", "b"], monkeypatch, undoable=False)
    assert (await asked.reply()).outcome == "mended"
    assert asked.said[0] == asked.said[1]
    assert "nothing was typed" in asked.said[2]
    assert "'purple' is no reply" in asked.said[3]
    assert "no answer to take back" in asked.said[4]


async def test_on_the_bench_an_empty_line_leaves_the_step_to_its_hands(monkeypatch: pytest.MonkeyPatch) -> None:
    class Bench(PromptHands):
        async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
            return Reply("found", "good", 3.3, "V")

    check = asking.by_hand(TERN, TERN.stage("rail-3v3"))
    asked = Asked(check, [""], monkeypatch, undoable=False)
    assert (await asked.reply(Bench(lambda words: None))).value == 3.3
    assert "Enter alone: the simulated bench's hands do it" in asked.said[0]


@pytest.mark.parametrize("typed", ["other solder between U6.1 and U6.2", "d solder between U6.1 and U6.2"])
async def test_something_else_than_the_suspect_is_told_in_words(typed: str, monkeypatch: pytest.MonkeyPatch) -> None:
    check = _suspect()
    asked = Asked(check, ["other", typed], monkeypatch, undoable=True)
    assert await asked.reply() == Reply("found", OTHER, text="solder between U6.1 and U6.2")
    assert "what, and where?" in asked.said[1]


async def test_a_file_can_tell_something_else_too(tmp_path: Path) -> None:
    check = _suspect()
    file = hands(tmp_path, f'[[answer]]\nstep = "{check.id}"\nother = "R8.1 was dry"\n')
    assert await file.reply(check, NOW) == Reply("found", OTHER, text="R8.1 was dry")
    file = hands(tmp_path, '[[answer]]\nstep = "look-chips"\nother = "R8.1 was dry"\n')
    with pytest.raises(InputTrouble, match="other") as caught:
        await file.reply(asking.by_hand(TERN, TERN.stage("look-chips")), NOW)
    assert "line 3" in (caught.value.where or "")


def _suspect() -> NextCheck:
    answers = tuple((name, name) for name in (asking.MENDED, asking.FINE, asking.RETRY, OTHER))
    return NextCheck("open joint U6.2", "U6.2: open joint", 1, None, "", None, answers=answers)
