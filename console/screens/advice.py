"""Advice as a screen gives it: where a text names the command line's option, the key or the field that does the same.

Errors, plans and notes are written once, for a person at a prompt. Everything on a screen that tells what to do next
passes `here`. What only the command line has stays, and is said to be of the command line.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Final

# whole commands in a text, and what does the same on the screens; the longest first
_COMMANDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        r"`wakeline ports --watch`": "p on the list of ports",
        r"run `wakeline ports`": "look at the list of ports",
        r"`wakeline restore`": "the task restore",
        r"`wakeline handshake PORT --board NAME`": "i on the bench names a board, which",
        r"wakeline notebook add-fix .*": "F8, then a",
    }
)
# options that are a key or a question here, with the verb before them where the key needs another one
_KEYS: Final[Mapping[str, str]] = MappingProxyType(
    {
        r"(?:add|use) --resume\b": "press r",
        r"--resume\b": "r",
        r"with --lift-protection(?: 0x[0-9A-F]+| with its product id)?": "which ask for it",
        r"(?:say it|give it) with --chip-file\b": "give it as the answer \u201canother one\u201d",
        r"--chip-file\b": "the answer \u201canother one\u201d",
    }
)
_RENAMED: Final[Mapping[str, str]] = MappingProxyType({"everything": "all"})
_LEFT: Final = re.compile(r"(?<![\w-])--[a-z][a-z-]*(?: [A-Z]+\b| raw\b)?")
_HAS_COMMAND: Final = re.compile(r"--[a-z]|wakeline ")


def here(text: str) -> str:
    """`text` with what this screen has in place of the command line's options."""
    if not _HAS_COMMAND.search(text):
        return text
    for pattern, words in _spoken().items():
        text = re.sub(pattern, words, text)
    # a whole command that is left is one to type at a prompt: its options belong to it
    parts = re.split(r"(`wakeline [^`]*`)", text)
    parts[::2] = [_LEFT.sub(lambda found: f"{found[0]} on the command line", part) for part in parts[::2]]
    return "".join(parts)


@cache
def _spoken() -> Mapping[str, str]:
    from console.screens.job_screen import FORMS  # only where something is to be said: the screens start without it

    out = {**_COMMANDS, **_KEYS}
    for form in FORMS.values():
        for field in form.fields:
            out.setdefault(_option(field.name), field.noun)
        for name, words in form.ticks:
            out.setdefault(_option(name), f"the tick \u201c{words}\u201d")
    return MappingProxyType(out)


def _option(name: str) -> str:
    return rf"(?<![\w-])--{_RENAMED.get(name, name).replace('_', '-')}(?![\w-])"
