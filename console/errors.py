"""Errors a person meets, and the outcomes and exit codes that scripts rely on.

    WakelineError            code, message, where, note, help, caution -> outcome -> exit code
    ├── UsageTrouble         2  a wrong option or an impossible combination
    ├── TargetTrouble        4  the chip, or what it holds, forbids what was asked
    ├── Mismatch             5  what was read back is not what should be there
    ├── PortTrouble          6  missing, busy, forbidden, lost, not understood
    ├── InputTrouble         7  a file that cannot be read as what it should be
    └── Stopped              8  the user stopped it

`message` says what happened and where; `help` is the next thing to do. Both are lower case, short, without blame.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Final


class Outcome(StrEnum):
    """How a run ended; the words are the JSON contract."""

    OK = "ok"
    NO_ANSWER = "no-answer"
    REFUSED = "refused"
    MISMATCH = "mismatch"
    PORT = "port"
    INPUT = "input"
    STOPPED = "stopped"
    USAGE = "usage"
    INTERNAL = "internal"

    @property
    def exit_code(self) -> int:
        """The process exit code that belongs to this outcome."""
        return EXIT_CODES[self]


EXIT_CODES: Final = {
    Outcome.OK: 0,
    Outcome.INTERNAL: 1,
    Outcome.USAGE: 2,
    Outcome.NO_ANSWER: 3,
    Outcome.REFUSED: 4,
    Outcome.MISMATCH: 5,
    Outcome.PORT: 6,
    Outcome.INPUT: 7,
    Outcome.STOPPED: 8,
}


class WakelineError(Exception):
    """An error with a code, what happened, where, and what to do next."""

    outcome: Outcome = Outcome.INTERNAL

    def __init__(
        self, code: str, message: str, *, help: str, where: str = "", note: str = "", caution: str = ""
    ) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.help = help
        self.where = where
        self.note = note
        self.caution = caution

    def lines(self) -> list[str]:
        """The error as lines of text, without colour."""
        out = [f"error {self.code}: {self.message}"]
        if self.where:
            out.append(f"  where: {self.where}")
        if self.note:
            out.append(f"  note: {self.note}")
        if self.caution:
            out.append(f"  caution: {self.caution}")
        out.append(f"  next: {self.help}")
        return out


class UsageTrouble(WakelineError):
    """A wrong option or an impossible combination of options."""

    outcome = Outcome.USAGE


class PortTrouble(WakelineError):
    """The port is missing, busy, forbidden, lost or not what it should be.

    Codes: port-missing, port-busy, port-permission, port-unusable, port-url, link-lost.
    """

    outcome = Outcome.PORT


class TargetTrouble(WakelineError):
    """The chip refuses, or is not what it should be.

    Codes: protected, wrong-chip, unknown-chip, refused, unsupported.
    """

    outcome = Outcome.REFUSED


class Mismatch(WakelineError):
    """Memory was read back and differs; `where` names address, expected and found. Codes: mismatch, differs."""

    outcome = Outcome.MISMATCH


class InputTrouble(WakelineError):
    """A file is missing or is not what it should be; `where` names file and line or offset."""

    outcome = Outcome.INPUT


class Stopped(WakelineError):
    """The user stopped the run."""

    outcome = Outcome.STOPPED
