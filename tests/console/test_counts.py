"""One of anything is never told as many."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from console.words import count_of, differing

ROOMS = Path(__file__).parents[2]
# after a number that is filled in: a word in the plural that `count_of` would have agreed with it
NOUNS = "bytes|blocks|times|pages|commands|stages|places|parts|pieces|rows|lines|sessions|boards|pins|nets"
# numbers that the line before makes two at least, or that the sizes of a standard do
KNOWN = {
    "boards/netlist.py": {"self.count", "len(data)"},
    "boards/template.py": {"len(reply)"},
    "bringup/words.py": {"stage.runs"},
    "images/layout.py": {"chip.granule"},
    "images/load.py": {"len(data)"},
    "images/s_record.py": {"behind"},
    "programming/chip_file.py": {"at - flash_start"},
    "record/blocks.py": {"length"},
    "record/pcapng.py": {"length", "captured"},
    "record/transcript.py": {"count"},
    "report/compose.py": {"one.count"},
    "report/model.py": {"len(stages)"},
    "session/session.py": {"sent"},
}
MAYBE = re.compile(rf"\}} (?:[a-z]+ )?(?:{NOUNS})\b")
PLURAL = re.compile(rf"^ (?:[a-z]+ )?(?:{NOUNS})\b")


@pytest.mark.parametrize(
    ("number", "noun", "words"),
    [
        (0, "byte", "0 bytes"),
        (1, "byte", "1 byte"),
        (2, "more place", "2 more places"),
        (1.0, "time", "1 time"),
        (0.5, "time", "0.5 times"),
        ("1", "byte", "1 byte"),
    ],
)
def test_a_noun_agrees_with_its_number(number: float | str, noun: str, words: str) -> None:
    assert count_of(number, noun) == words


def test_a_verb_agrees_with_what_differs() -> None:
    assert differing(1, 1) == "1 byte in 1 place differs"
    assert differing(2, 1) == "2 bytes in 1 place differ"


def test_no_text_of_the_console_fills_a_number_in_before_a_plural() -> None:
    found = []
    for path in sorted((ROOMS / "console").rglob("*.py")):
        name = path.relative_to(ROOMS / "console").as_posix()
        text = path.read_text(encoding="utf-8")
        if not MAYBE.search(text):
            continue
        tree = ast.parse(text)
        errors = {
            id(node)
            for call in ast.walk(tree)
            if isinstance(call, ast.Call) and isinstance(call.func, ast.Name) and call.func.id == "ValueError"
            for node in ast.walk(call)  # a mistake of ours, which no person reads
        }
        for node in ast.walk(tree):
            if not isinstance(node, ast.JoinedStr) or id(node) in errors:
                continue
            for number, tail in zip(node.values, node.values[1:], strict=False):
                if not isinstance(number, ast.FormattedValue) or not isinstance(tail, ast.Constant):
                    continue
                filled = ast.unparse(number.value)
                told_once = filled.isupper() or filled in KNOWN.get(name, ()) or number.format_spec is not None
                if PLURAL.match(str(tail.value)) and not told_once:
                    found.append(f"{name}:{node.lineno}: {ast.unparse(node)}")
    assert found == [], "\n".join(found)


def test_nothing_is_left_to_the_reader() -> None:
    wrong = [
        f"{path.name}: {number}"
        for room in ("console", "protocols")
        for path in (ROOMS / room).rglob("*.py")
        for number, text in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if re.search(r"[a-z]\(e?s\)(?!\w)", re.sub(r"\w+\(s\) for|\b(?:len|str|set|seconds|_tight)\(s\)", "", text))
    ]
    assert wrong == []
