"""What a session has to do with the notebook: learned priors before it, its entry after it.

The user's own notebook is used if it is there, and begun when a board is named; another one only if it is named. It
takes no simulated boards; a named one does, marked as such, and nothing is ever learned from them. A notebook that
cannot be used never stops the work at the bench.
"""

from __future__ import annotations

import contextlib
import shlex
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from console import __version__
from console.boards.past import Past
from console.bringup.fold import BringupState
from console.causes.catalogue import catalogue
from console.errors import InputTrouble, Outcome
from console.inputs import sha256_of
from console.notebook.entry import Entry, entry_of, latest_failure
from console.notebook.history import UNKNOWN, Design
from console.notebook.place import default_path, is_begun, is_there
from console.notebook.statistics import Similar, cause_counts, past_of, priors_for, similar
from console.notebook.store import Notebook
from console.notebook.trouble import PASSING
from console.notebook.words import similar_lines, twin_lines
from console.snapshot import Snapshot
from console.text import clean
from console.words import count_of

ONLY_NAMED: Final = "a simulated board is kept only in a notebook that is named with --notebook FILE"
_NO_CASES: Final = Similar((), 0, 0)


@dataclass(frozen=True, slots=True)
class Kept:
    """What became of a session: its number, or why it was not kept; and what fixed boards that failed like it.

    `learned_from` is how many confirmed fixes the ranking leaned on. `twins` are other boards with the same unique id.
    """

    path: Path
    board: str
    session: int | None
    passed: bool
    stopped_at: str = ""
    like: Similar = _NO_CASES
    learned_from: int = 0
    twins: tuple[str, ...] = ()
    trouble: InputTrouble | None = None

    def lines(self) -> list[str]:
        """For a person."""
        if self.trouble is not None:
            return ["this session is not in the notebook:", *(f"  {line}" for line in self.trouble.lines())]
        out = [f"notebook: kept as session {self.session} in {clean(str(self.path))}"]
        out += [f"  {line}" for line in twin_lines(self.board, self.twins)]
        out += [f"  {line}" for line in similar_lines(self.like, self.stopped_at)]
        if self.learned_from:
            fixes = count_of(self.learned_from, "confirmed fix", "confirmed fixes")
            out.append(f"  the ranking leaned on {fixes} of your boards")
        if not self.passed:
            where = "" if self.path == default_path() else f" --notebook {shlex.quote(clean(str(self.path)))}"
            out.append(
                f"  once you know: wakeline notebook add-fix {self.session} --cause ID --part U4 --joint 17{where}"
            )
        return out

    def as_object(self) -> dict[str, Any]:
        """For a script."""
        error = self.trouble
        return {
            "file": str(self.path),
            "session": self.session,
            "learned_from": self.learned_from,
            "board": self.board or None,
            "similar": {
                "fixed_at": [{"place": place, "boards": count} for place, count in self.like.fixed_at],
                "fixed": self.like.fixed,
                "unsolved": self.like.unsolved,
            },
            "same_unique_id": list(self.twins),
            "error": None if error is None else {"code": error.code, "message": error.message, "help": error.help},
        }


class Keeper:
    """Keeps one session after another; `board` may be set at any time before.

    `priors` of the causes and the `past` of the board's places come from the notebook as it was when this was made.
    """

    def __init__(self, file: Path | None = None, *, board: str = "", design: Design = UNKNOWN) -> None:
        """A design that is not said is the one that the notebook knows `board` for. Raises InputTrouble when the named
        `file` is there and can never be used; a full disk or a lock may pass before there is anything to keep."""
        self.path = default_path() if file is None else file
        self.named = file is not None
        self.board = board
        self.design = design
        self.trouble: InputTrouble | None = None
        self.priors: Mapping[str, float] | None = None
        self.past: Past | None = None
        self.learned_from = 0
        if is_begun(self.path):
            try:
                self._learn()
            except InputTrouble as error:
                if self.named and error.code not in PASSING:
                    raise
                self.trouble = error

    def keep(self, snapshot: Snapshot, *, capture: str = "") -> Kept | None:
        """Keep the session behind this picture. None where there is nothing to keep or no notebook to keep it in."""
        own = bool(self.board) or is_there(self.path)
        if not (self.named or (own and not snapshot.simulated)):
            return None
        entry = entry_of(
            snapshot,
            tool_version=__version__,
            board=self.board,
            design=self.design.name,
            revision=self.design.revision,
            capture=capture,
            capture_sha256=_digest(capture),
        )
        return None if entry is None else self._store(entry)

    def experience(self, snapshot: Snapshot) -> list[str]:
        """What fixed boards that failed as this one just did, in counts; nothing where the notebook cannot tell."""
        failure = latest_failure(snapshot)
        if failure is None or self.trouble is not None or not is_begun(self.path):
            return []
        try:
            with Notebook.open_to_read(self.path) as notebook:
                like = similar(*failure, notebook.cases(), design=self._design(notebook, snapshot.bringup))
        except InputTrouble:  # told when the session is kept
            return []
        return similar_lines(like, failure[0]) if like.fixed else []

    def _store(self, entry: Entry) -> Kept:
        passed = entry.outcome is Outcome.OK
        try:
            with Notebook.open(self.path) as notebook:
                number = notebook.store(entry)
                like, twins = _NO_CASES, () if entry.simulated else tuple(notebook.twins(entry.unique_id, entry.board))
                if entry.failed_attempt and not passed:
                    design = Design(entry.design, entry.revision) if entry.design else self._design(notebook)
                    like = similar(entry.stopped_at, entry.codes, notebook.cases(), without=number, design=design)
        except InputTrouble as error:
            return Kept(self.path, entry.board, None, passed, trouble=error)
        return Kept(self.path, entry.board, number, passed, entry.stopped_at, like, self.learned_from, twins)

    def _design(self, notebook: Notebook, plan: BringupState | None = None) -> Design:
        """What the board is built to, as its plan or the user said, else as the notebook knows it."""
        if plan is not None:
            return Design(plan.board, plan.revision)
        return self.design if self.design.name or not self.board else notebook.design_of(self.board)

    def _learn(self) -> None:
        with Notebook.open_to_read(self.path) as notebook:
            fixes, runs = notebook.confirmed_fixes(), notebook.board_runs()
            design = self._design(notebook)
        counted = sum(cause_counts(fixes).values())
        if counted:
            self.priors = priors_for(catalogue().priors(), fixes, design)
            self.learned_from = round(counted)
        self.past = past_of(design, runs, fixes)


def _digest(capture: str) -> str:
    """The capture's SHA-256; "" where there is none or it cannot be read."""
    with contextlib.suppress(OSError):
        return sha256_of(capture) if capture else ""
    return ""
