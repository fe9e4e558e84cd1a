"""What a screen advises can be done on it: keys and fields in place of options."""

from __future__ import annotations

import re

import pytest

from console.errors import PortTrouble
from console.programming.fold import after_a_cut
from console.programming.run import protected
from console.screens.advice import here
from console.screens.app import WakelineApp
from console.screens.job_screen import FORMS
from console.tasks.on_chip import CAUTIONS, CUT_OFF, STILL_SILENT
from protocols.family import Identity

OPTION = re.compile(r"(?<![\w-])--[a-z]")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("go on with --resume, when ready", "go on with r, when ready"),
        ("look at the supply, then use --resume", "look at the supply, then press r"),
        ("add --length", "add the length"),
        (
            "choose another name or add --overwrite",
            "choose another name or add the tick “write over that file if it is there”",
        ),
        ("(--keep-neighbours keeps it)", "(the tick “keep what else is on the pages” keeps it)"),
        ("give --pages or --all", "give the page numbers or the tick “everything on the chip”"),
        ("say --format raw", "say --format raw on the command line"),
        ("with --notebook FILE; it", "with --notebook FILE on the command line; it"),
        ("see `wakeline bench --list` for more", "see `wakeline bench --list` for more"),
        ("saved; `wakeline restore` brings it back", "saved; the task restore brings it back"),
        ("tern--07.bin and a -- b", "tern--07.bin and a -- b"),
    ],
)
def test_an_option_is_told_as_what_is_here(text: str, words: str) -> None:
    assert here(text) == words


def test_what_every_task_says_names_no_option() -> None:
    told = [
        *CAUTIONS,
        CUT_OFF,
        STILL_SILENT,
        after_a_cut("look at the plug"),
        protected(Identity(product_id=0x410)).help,
        protected(None).help,
    ]
    assert [words for words in told if OPTION.search(here(words))] == []


def test_every_line_and_tick_of_a_form_has_a_name_for_its_option() -> None:
    for form in FORMS.values():
        for name in (*(field.name for field in form.fields), *(name for name, _ in form.ticks)):
            option = "--all" if name == "everything" else "--" + name.replace("_", "-")
            assert "command line" not in here(f"with {option}, then")
            assert not OPTION.search(here(f"with {option}, then"))


async def test_a_note_in_the_corner_speaks_of_keys(screen_text: object) -> None:
    app = WakelineApp()
    async with app.run_test(size=(120, 36)) as pilot:
        app.tell_trouble(PortTrouble("link-lost", "gone", help=after_a_cut("look at the plug")))
        await pilot.pause()
        (shown,) = app._notifications
    assert "go on with r" in shown.message
    assert not OPTION.search(shown.message)
