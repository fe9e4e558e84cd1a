"""README says only what is true: its picture, its commands, its exit codes.

`WAKELINE_ACCEPT=1 python -m pytest tests/test_readme.py` writes the picture anew; look at it before you commit it.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

from console.cli import build_parser
from console.errors import Outcome
from console.screens.actions import as_table
from console.screens.app import WakelineApp

ROOT = Path(__file__).resolve().parent.parent
README = ROOT / "README.md"
BEGIN, END = "<!-- picture begin -->", "<!-- picture end -->"
SIZE = (100, 32)


async def picture() -> str:
    """The bench screen at the end of a recorded session, as plain text."""
    app = WakelineApp(capture=ROOT / "captures" / "swap-story.pcapng", speed=None)
    async with app.run_test(size=SIZE) as pilot:
        while app.loading:
            await pilot.pause()
        await pilot.pause(0.3)  # one frame of the screen, which is drawn ten times a second
        strips = app.screen._compositor.render_strips()
        return "\n".join("".join(segment.text for segment in strip).rstrip() for strip in strips)


def check_between(begin: str, end: str, now: str) -> None:
    """What stands between two marks is `now`, or becomes it when a person accepts it."""
    head, _, rest = README.read_text(encoding="utf-8").partition(begin)
    shown, _, tail = rest.partition(end)
    if os.environ.get("WAKELINE_ACCEPT"):
        README.write_text(head + begin + now + end + tail, encoding="utf-8")
    else:
        assert shown == now


async def test_the_picture_is_what_the_screens_show() -> None:
    check_between(BEGIN, END, f"\n\n```text\n{await picture()}\n```\n\n")


def test_the_keys_are_those_of_the_screens() -> None:
    check_between("<!-- keys begin -->", "<!-- keys end -->", f"\n\n{as_table()}\n\n")


def test_every_command_and_option_in_readme_exists() -> None:
    text = README.read_text(encoding="utf-8")
    lines = re.findall(r"(?m)^ {4}(?:.*&& \S*/)?wakeline\b(.*)$", text)
    assert len(lines) > 8
    for line in lines:
        words = re.split(r" {2,}", line)[0].split()
        build_parser().parse_args(words)  # raises UsageTrouble for a word that is not there
    for option in re.findall(r"`(--[a-z-]+)", text):
        assert any(option in parser.format_help() for parser in parsers()), option


def parsers() -> list[object]:
    """The main parser and those of all commands."""
    main = build_parser()
    subs = [action for action in main._actions if hasattr(action, "choices") and isinstance(action.choices, dict)]
    return [main, *(parser for sub in subs for parser in sub.choices.values())]


def test_exit_codes_in_readme_are_the_contract() -> None:
    text = README.read_text(encoding="utf-8")
    table = {int(code): words for code, words in re.findall(r"\| (\d) \| ([^|]+?) (?=\|)", text)}
    assert set(table) == {outcome.exit_code for outcome in Outcome}


def test_the_second_command_is_the_one_ci_runs() -> None:
    assert "-m pytest" in README.read_text(encoding="utf-8")
    assert "-m pytest" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")
