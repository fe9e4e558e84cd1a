"""What of a session is worth keeping, as plain data: made from a snapshot, without a file or a database.

Every string goes through `console.text` here, because it may come from a target or from a foreign capture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from console.causes.catalogue import Catalogue, catalogue
from console.errors import Outcome, UsageTrouble
from console.events import Value
from console.session.stage import LISTEN, StageResult
from console.snapshot import Attempt, Deed, Snapshot
from console.text import clean

# how an attempt can end that says something about the board; the rest is about the port, the file or the person
VERDICTS: Final = frozenset({Outcome.OK, Outcome.NO_ANSWER, Outcome.REFUSED, Outcome.MISMATCH})
# what the operator only says; whatever else is done to the board can cure it
_SAID: Final = frozenset({"check", "skip", "remark", "at-hand"})
BY_TOOL, BY_PERSON = "wakeline", "person"
LONGEST_NAME: Final = 40
LONGEST_NOTE: Final = 2000


@dataclass(frozen=True, slots=True)
class Fix:
    """What was wrong: a cause id of the catalogue, or "" if only the place is known; `by` who says so."""

    cause: str = ""
    part: str = ""
    joint: str = ""
    note: str = ""
    by: str = BY_PERSON
    photos: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """The part with its joint, as "U4 joint 17"; "" if nobody said."""
        return f"{self.part} joint {self.joint}".strip() if self.joint else self.part


@dataclass(frozen=True, slots=True)
class Entry:
    """One session as the notebook keeps it.

    `board` is the group's own name for the board, "" if nobody said. `first_outcome` is the verdict of the first
    attempt, `outcome` that of the last; `stopped_at` is the stage where the first failure stopped and `failed_attempt`
    its number (0: none failed). `started_ns` counts from the Unix epoch.
    """

    board: str
    revision: str
    product_id: int | None
    unique_id: str
    started_ns: int
    port: str
    settings: tuple[tuple[str, Value], ...]
    capture: str
    capture_sha256: str
    outcome: Outcome
    first_outcome: Outcome
    stopped_at: str
    failed_attempt: int
    tool_version: str
    simulated: bool
    stages: tuple[StageResult, ...]
    attempts: tuple[Attempt, ...]
    deeds: tuple[Deed, ...]
    fix: Fix | None

    @property
    def codes(self) -> frozenset[str]:
        """What was seen when it failed first."""
        return frozenset(seen.id for one in self.attempts if one.n == self.failed_attempt for seen in one.observations)

    @property
    def suspect(self) -> str:
        """The cause that was ranked first when it failed first; "" if none was."""
        shown = next((one.causes for one in self.attempts if one.n == self.failed_attempt), ())
        return shown[0].id if shown else ""


def board_name(text: str, what: str = "board") -> str:
    """A board's name or revision as it is kept: 1 to 40 printable characters. Raises UsageTrouble.

    A board cannot be named with digits alone: that would be the number of a session.
    """
    name = text.strip()
    bare = what == "board" and name.isdecimal()
    if not name or len(name) > LONGEST_NAME or clean(name) != name or bare:
        raise UsageTrouble(
            what,
            f"{clean(text, 60)!r} cannot name a {what}",
            help=f"use 1 to {LONGEST_NAME} printable characters and not digits alone, for example tern-07",
        )
    return name


def entry_of(
    snapshot: Snapshot,
    *,
    tool_version: str,
    board: str = "",
    revision: str = "",
    unique_id: str = "",
    capture: str = "",
    capture_sha256: str = "",
    simulated: bool = False,
    table: Catalogue | None = None,
) -> Entry | None:
    """The session behind this picture, with what fixed it where that is beyond doubt; None where nothing was tried."""
    attempts = (*snapshot.earlier, Attempt(snapshot.attempt, snapshot.observations, snapshot.causes))
    ends = _ends(snapshot.stages)
    if not ends:
        return None
    told = [end for end in ends if end[1] in VERDICTS] or ends
    failed = next((end for end in told if end[1] is not Outcome.OK), None)
    identity = snapshot.identity
    return Entry(
        board=board,
        revision=revision,
        product_id=None if identity is None else identity.product_id,
        unique_id=clean(unique_id, 80),
        started_ns=snapshot.started_ns or 0,
        port=clean(snapshot.port, 200),
        settings=tuple((name, clean(v, 200) if isinstance(v, str) else v) for name, v in snapshot.settings),
        capture=clean(capture, 1000),
        capture_sha256=capture_sha256,
        outcome=ends[-1][1],
        first_outcome=told[0][1],
        stopped_at=_stopped_at(snapshot.stages, failed[0]) if failed else "",
        failed_attempt=failed[0] if failed else 0,
        tool_version=tool_version,
        simulated=simulated,
        stages=snapshot.stages,
        attempts=attempts,
        deeds=snapshot.deeds,
        fix=_fix(ends, snapshot.deeds, table or catalogue()),
    )


def latest_failure(snapshot: Snapshot) -> tuple[str, frozenset[str]] | None:
    """Where the latest attempt stopped and what was seen; None where it passed, said nothing, or still runs."""
    ends = _ends(snapshot.stages)
    if snapshot.running_stage is not None or not ends:
        return None
    n, outcome = ends[-1]
    if n != snapshot.attempt or outcome is Outcome.OK or outcome not in VERDICTS:
        return None
    return _stopped_at(snapshot.stages, n), frozenset(seen.id for seen in snapshot.observations)


def words_of(entry: Entry) -> str:
    """Everything in the session that a person may search for, in one caseless line."""
    fix = () if entry.fix is None else fix_words(entry.fix)
    product = () if entry.product_id is None else (f"0x{entry.product_id:03X}",)
    seen = [one.id for attempt in entry.attempts for one in attempt.observations]
    deeds = [word for deed in entry.deeds for word in (deed.action, deed.check, deed.outcome)]
    words = (
        *(entry.board, entry.revision, entry.unique_id, entry.port, entry.outcome.value, entry.first_outcome.value),
        *(entry.stopped_at, entry.suspect, entry.capture, "simulated" if entry.simulated else ""),
        *product,
        *seen,
        *deeds,
        *fix,
    )
    return folded(" ".join(dict.fromkeys(word for word in words if word)))


def fix_words(fix: Fix) -> tuple[str, ...]:
    """What of a fix a person may search for."""
    return (fix.cause, fix.place, fix.note, *fix.photos)


def folded(text: str) -> str:
    """Text as the search compares it: without case, on one line."""
    return clean(text, 10_000).casefold()


def _ends(stages: Sequence[StageResult]) -> list[tuple[int, Outcome]]:
    """How each attempt ended that did more than listen, in order."""
    out: list[tuple[int, Outcome]] = []
    for n in dict.fromkeys(stage.attempt for stage in stages if stage.name != LISTEN):
        ends = [stage.outcome or Outcome.STOPPED for stage in stages if stage.attempt == n]
        out.append((n, next((end for end in ends if end is not Outcome.OK), Outcome.OK)))
    return out


def _stopped_at(stages: Sequence[StageResult], attempt: int) -> str:
    return next(clean(s.name, 40) for s in stages if s.attempt == attempt and s.outcome is not Outcome.OK)


def _fix(ends: Sequence[tuple[int, Outcome]], deeds: Sequence[Deed], table: Catalogue) -> Fix | None:
    """It failed, one thing was done that can remove one cause only, and the next attempt passed; else nothing."""
    if len(ends) < 2 or ends[-1][1] is not Outcome.OK:
        return None
    passed = next(at for at in range(len(ends)) if all(end is Outcome.OK for _, end in ends[at:]))
    if passed == 0 or ends[passed - 1][1] not in VERDICTS:
        return None
    between = range(ends[passed - 1][0], ends[passed][0])
    done = [deed for deed in deeds if deed.attempt in between and _changes(deed, table)]
    if len(done) != 1:
        return None
    steps = [*table.checks.values(), *table.repairs.values()]
    step = table.step(done[0].check) or next((one for one in steps if one.action == done[0].action), None)
    if step is None or len(step.cures) != 1:
        return None
    return Fix(cause=next(iter(step.cures)), note=step.title, by=BY_TOOL)


def _changes(deed: Deed, table: Catalogue) -> bool:
    """Whether it may have cured the board: work, a trial that is said to have helped, or an answer taken back."""
    step = table.step(deed.check)
    tried = step is not None and bool(step.cures) and deed.outcome != step.in_vain
    return deed.action not in _SAID or (deed.action == "check" and tried)
