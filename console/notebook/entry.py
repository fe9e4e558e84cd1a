"""What of a session is worth keeping, as plain data: made from a snapshot, without a file or a database.

Every string goes through `console.text` here, because it may come from a target or from a foreign capture.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from console.causes.catalogue import Catalogue, catalogue
from console.deeds import Deed
from console.errors import Outcome, UsageTrouble
from console.events import Value
from console.notebook.plan_story import LOOKED, MENDED, PlanStory, failure_of, plan_story
from console.session.stage import VERDICTS, StageResult, ends
from console.snapshot import Attempt, Snapshot
from console.text import clean

# what is only said or read; whatever else is done to the board, also another rate, can cure it
_SAID: Final = frozenset({"check", "finding", "skip", "undo", "remark", "at-hand"})
_ANSWERS: Final = frozenset({"check", "finding"})
_OF_PLAN: Final = frozenset({LOOKED, MENDED, "skip"})
_UNDOABLE: Final = _ANSWERS | {"skip", "at-hand"}
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

    `board` is the group's own name for the board, "" if nobody said; `design` and `revision` what it was built to.
    `product_id` and `unique_id` (24 hex digits) are what this session read from the chip. `first_outcome` is the
    verdict of the first attempt, `outcome` that of the last; `stopped_at` is the stage where the first failure stopped
    and `failed_attempt` its number (0: none failed). `started_ns` counts from the Unix epoch.
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
    fixes: tuple[Fix, ...]
    design: str = ""

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
    design: str = "",
    revision: str = "",
    capture: str = "",
    capture_sha256: str = "",
    table: Catalogue | None = None,
) -> Entry | None:
    """The session behind this picture, with what fixed it as far as that is known; None where nothing was tried.

    A plan names its design and revision itself.
    """
    table = table or catalogue()
    plan = None if snapshot.bringup is None else plan_story(snapshot.bringup, snapshot)
    if plan is not None:
        attempts, stages, deeds, over = plan.attempts, plan.stages, plan.deeds, list(plan.ends)
    else:
        attempts = (*snapshot.earlier, Attempt(snapshot.attempt, snapshot.observations, snapshot.causes))
        stages = tuple(stage for stage in snapshot.stages if not stage.test)
        deeds, over = snapshot.deeds, ends(stages)
    if not over:
        return None
    told = [end for end in over if end[1] in VERDICTS] or over
    failed = next((end for end in told if end[1] is not Outcome.OK), None)
    identity = snapshot.identity
    return Entry(
        board=board,
        design=design if snapshot.bringup is None else clean(snapshot.bringup.board, LONGEST_NAME),
        revision=revision if snapshot.bringup is None else clean(snapshot.bringup.revision, LONGEST_NAME),
        product_id=None if identity is None else identity.product_id,
        unique_id=clean(snapshot.unique_id, 80),
        started_ns=snapshot.started_ns or 0,
        port=clean(snapshot.port, 200),
        settings=tuple((name, clean(v, 200) if isinstance(v, str) else v) for name, v in snapshot.settings),
        capture=clean(capture, 1000),
        capture_sha256=capture_sha256,
        outcome=over[-1][1] if plan is None else plan.outcome,
        first_outcome=told[0][1],
        stopped_at=_stopped_at(stages, failed[0]) if failed else "",
        failed_attempt=failed[0] if failed else 0,
        tool_version=tool_version,
        simulated=snapshot.simulated is True,
        stages=stages,
        attempts=attempts,
        deeds=deeds,
        fixes=tuple(_fix(over, deeds, table)) if plan is None else _plan_fixes(plan, table),
    )


def _plan_fixes(plan: PlanStory, table: Catalogue) -> tuple[Fix, ...]:
    """The joints and parts that were put right; else what woke a silent board, where that is beyond doubt."""
    if plan.fixed:
        return tuple(Fix(part=part, joint=joint, note=note, by=BY_TOOL) for part, joint, note in plan.fixed)
    if any(deed.action == MENDED for deed in plan.deeds):
        return ()
    answers = [deed for deed in plan.deeds if table.step(deed.check) or deed.action not in (*_ANSWERS, *_OF_PLAN)]
    return tuple(_fix(plan.ends, answers, table))


def latest_failure(snapshot: Snapshot) -> tuple[str, frozenset[str]] | None:
    """Where the latest attempt stopped and what was seen; None where it passed, said nothing, or still runs."""
    if snapshot.bringup is not None:
        return failure_of(snapshot.bringup, snapshot)
    over = ends(snapshot.stages)
    if snapshot.running_stage is not None or not over:
        return None
    n, outcome = over[-1]
    if n != snapshot.attempt or outcome is Outcome.OK or outcome not in VERDICTS:
        return None
    return _stopped_at(snapshot.stages, n), frozenset(seen.id for seen in snapshot.observations)


def words_of(entry: Entry) -> str:
    """Everything in the session that a person may search for, in one caseless line."""
    fix = [word for one in entry.fixes for word in fix_words(one)]
    product = () if entry.product_id is None else (f"0x{entry.product_id:03X}",)
    seen = [one.id for attempt in entry.attempts for one in attempt.observations]
    deeds = [word for deed in entry.deeds for word in (deed.action, deed.check, deed.outcome)]
    words = (
        *(
            entry.board,
            entry.design,
            entry.revision,
            entry.unique_id,
            entry.port,
            entry.outcome.value,
            entry.first_outcome.value,
        ),
        *(entry.stopped_at, entry.suspect, entry.capture, "simulated" if entry.simulated else ""),
        "passed" if entry.outcome is Outcome.OK else "failed",
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


def _stopped_at(stages: Sequence[StageResult], attempt: int) -> str:
    return next(clean(s.name, 40) for s in stages if s.attempt == attempt and s.outcome is not Outcome.OK)


def _fix(over: Sequence[tuple[int, Outcome]], deeds: Sequence[Deed], table: Catalogue) -> Iterator[Fix]:
    """It failed, one thing was done that can remove one cause only, and the next attempt passed; else nothing."""
    if len(over) < 2 or over[-1][1] is not Outcome.OK:
        return
    passed = next(at for at in range(len(over)) if all(end is Outcome.OK for _, end in over[at:]))
    if passed == 0 or over[passed - 1][1] not in VERDICTS:
        return
    between = range(over[passed - 1][0], over[passed][0])
    done = [deed for deed in _changes(deeds, table) if deed.attempt in between]
    if len(done) != 1:
        return
    steps = [*table.checks.values(), *table.repairs.values()]
    step = table.step(done[0].check) or next((one for one in steps if one.action == done[0].action), None)
    if step is not None and len(step.cures) == 1:
        yield Fix(cause=next(iter(step.cures)), note=step.title, by=BY_TOOL)


def _changes(deeds: Sequence[Deed], table: Catalogue) -> list[Deed]:
    """What may have cured the board: work, trials that are said to have helped, and trials whose answer is in doubt."""
    out: list[Deed] = []
    said: list[bool] = []  # what "undo" would take back, the latest last: whether it was a trial
    for deed in deeds:
        step = table.step(deed.check)
        trial = step is not None and bool(step.cures) and deed.action in _ANSWERS
        helped = trial and step is not None and deed.outcome != step.in_vain
        # a trial taken back was done all the same, and nobody knows any more what it did
        doubt = deed.action == "undo" and bool(said) and said.pop()
        if deed.action not in _SAID or helped or doubt:
            out.append(deed)
        if deed.action in _UNDOABLE:
            said.append(trial)
    return out
