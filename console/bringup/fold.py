"""How a board's plan stands: a fold over marks, the same live and in replay, without the board file. Pure.

Every mark of the kind BRINGUP has a `step`: plan, stage, begin, end, skip, again, ask, answer, suspects, suspect,
cleared, repair, undo, done. What each carries is written in `marks.py` and read here, nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Final

from console.bringup.history import History, Ran, Told
from console.errors import Outcome
from console.events import Mark, Value
from console.text import clean
from console.words import count_of

_MOST: Final = 500  # a capture may come from anybody; a board file may have as many stages
SEPARATOR: Final = " | "
_NOTHING_YET: Final = History()


class State(StrEnum):
    """How a stage stands."""

    WAITING = "waiting"
    RUNNING = "running"
    PASSED = "passed"
    FAILED = "failed"
    LEFT = "left"  # the operator stopped in it: it says nothing about the board
    AGAIN = "again"  # it passed, and what it uses was worked on since
    TRUSTED = "trusted"  # taken as passed without being run
    SKIPPED = "skipped"  # the operator left it out: the plan goes on, and nothing is known


@dataclass(frozen=True, slots=True)
class StageState:
    """One stage. `found` is what it showed, `off` what is wrong with that, `limits` what would be right; `runs` and
    seconds count all its runs."""

    id: str
    work: str
    title: str
    after: tuple[str, ...] = ()
    look: str = ""
    hot: bool = False
    state: State = State.WAITING
    outcome: Outcome | None = None
    found: str = ""
    off: str = ""
    runs: int = 0
    elapsed_s: float = 0.0
    limits: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """What the operator is asked to do now: `answers` are pairs of what can be said and what it means.

    `undoable`: whether an earlier answer can be taken back here.
    """

    id: str
    title: str
    why: str
    caution: str
    answers: tuple[tuple[str, str], ...]
    unit: str = ""
    undoable: bool = False


@dataclass(frozen=True, slots=True)
class SuspectState:
    """A suspect as it was ranked when the plan stopped; `cleared` once it was looked at in vain."""

    key: str
    part: str
    title: str
    probability: float
    minutes: float
    why: tuple[str, ...]
    look: str
    caution: str
    pins: tuple[str, ...] = ()
    cleared: bool = False


@dataclass(frozen=True, slots=True)
class Repaired:
    """What was put right: the suspect, when and in which turn, after which stage had failed; and where it is."""

    key: str
    title: str
    stage: str
    t_s: float
    part: str = ""
    pins: tuple[str, ...] = ()
    turn: int = 1


@dataclass(frozen=True, slots=True)
class BringupState:
    """The whole plan at one moment. `outcome` is None while it goes on; `digest` names the state of the board file.

    `suspects` in the order of looking, for the stage that failed last (`stopped_at`), "" while nothing is wrong;
    `before` is what is worth doing before anybody looks, `notes` what holds for all of them together; both as long as
    there are suspects.
    `started_ns`: when it began; the times of `history` and `repairs` count from there.
    """

    board: str
    revision: str
    file: str = ""
    digest: str = ""
    serial: str = ""
    stages: tuple[StageState, ...] = ()
    current: str = ""
    asked: Asked | None = None
    stopped_at: str = ""
    suspects: tuple[SuspectState, ...] = ()
    before: str = ""
    notes: tuple[str, ...] = ()
    other: float = 0.0
    repairs: tuple[Repaired, ...] = ()
    outcome: Outcome | None = None
    started_ns: int = 0
    history: History = _NOTHING_YET

    @property
    def passed(self) -> int:
        """How many stages passed in this record."""
        return sum(stage.state is State.PASSED for stage in self.stages)

    @property
    def trusted(self) -> int:
        """How many stages are taken as passed without being run."""
        return sum(stage.state is State.TRUSTED for stage in self.stages)

    @property
    def skipped(self) -> int:
        """How many stages the operator left out."""
        return sum(stage.state is State.SKIPPED for stage in self.stages)

    @property
    def passed_words(self) -> str:
        """Both counts as they are told."""
        trusted = f", {self.trusted} taken as passed without being run" if self.trusted else ""
        skipped = f", {self.skipped} left out" if self.skipped else ""
        return f"{self.passed} of {count_of(len(self.stages), 'stage')} passed{trusted}{skipped}"

    @property
    def unproven_words(self) -> str:
        """Which stages this run takes as passed without having seen it; "" where it began with the first."""
        names = [stage.id for stage in self.stages if stage.state is State.TRUSTED]
        return f"not proven in this run: {', '.join(names)}" if names else ""

    @property
    def end_words(self) -> str:
        """What a plan that is done to its end has shown."""
        left_out = f"{count_of(self.skipped, 'stage')} left out" if self.skipped else ""
        if self.trusted:
            before = f"{count_of(self.trusted, 'stage')} before that not run"
            return f"the plan is done from where it began; {', '.join(filter(None, (before, left_out)))}"
        return f"the plan is done, with {left_out}" if left_out else "the plan is done: every stage passed"

    def stage(self, id: str) -> StageState | None:
        """The stage of that name."""
        return next((stage for stage in self.stages if stage.id == id), None)

    def settled(self) -> Outcome:
        """The outcome of a record that ends here: only a plan that is done to its end is good."""
        if self.outcome is not None:
            return self.outcome
        failed = self.stage(self.stopped_at)
        return failed.outcome or Outcome.STOPPED if failed is not None else Outcome.STOPPED

    def ends(self) -> tuple[tuple[int, Outcome], ...]:
        """How each turn ended: with the stage that did not pass, or by being left before the plan's end."""
        ends = {run.turn: run.outcome for run in self.history.ran}
        last = max(ends, default=0)
        if last and ends[last] is Outcome.OK and self.settled() is not Outcome.OK:
            ends[last] = Outcome.STOPPED
        return tuple(ends.items())

    def problem(self, outcome: Outcome | None) -> tuple[str, str, str] | None:
        """Why it ended badly with this outcome: code, message and what to do next; None where it did not."""
        if outcome in (None, Outcome.OK):
            return None
        failed, left = self.stage(self.stopped_at), [one for one in self.suspects if not one.cleared]
        if failed is None or outcome is Outcome.STOPPED:
            return "stopped", "the plan was left before its end", "run it again; --from STAGE goes on from a stage"
        advice = f"look at {left[0].title}" if left else "look at what this stage uses"
        return str(outcome), f"stage {failed.id}: {failed.off or failed.found or failed.title}", advice


class BringupFold:
    """Takes marks in time order; `state` is None until a plan begins. Fields of a foreign capture may be anything."""

    def __init__(self) -> None:
        self.state: BringupState | None = None
        self._first_ns = 0
        self._begun_ns = 0
        self._question_id = self._question = ""
        self._listing = False  # the suspects that come now are the first of their stop

    def mark(self, mark: Mark) -> None:
        """Take one BRINGUP mark."""
        fields = mark.fields
        step = _text(fields, "step")
        if step == "plan":
            self._first_ns = mark.t_ns
            keys = ("board", "revision", "file", "digest", "serial")
            texts = {key: _text(fields, key) for key in keys}
            self.state = BringupState(**texts, started_ns=mark.t_ns)  # type: ignore[arg-type]
        elif self.state is not None:
            state = self._after(self.state, step, mark)
            self.state = replace(state, history=self._told(state, step, mark))

    def _told(self, before: BringupState, step: str, mark: Mark) -> History:
        fields, history = mark.fields, before.history
        match step:
            case "begin":
                return history.begins()
            case "suspects":
                stops = len(history.stops)
                history = history.stopped(_text(fields, "stage"), self._t_s(mark.t_ns), _number(fields, "other"))
                self._listing = len(history.stops) > stops
            case "suspect" if self._listing:
                return history.suspected(before.stopped_at, _suspect(fields))
            case "answer":
                return history.said(self._said(fields, self._t_s(mark.t_ns)))
            case "undo":
                return history.unsaid(_text(fields, "id"))
        return history

    def _said(self, fields: Mapping[str, Value], t_s: float) -> Told:
        value = fields.get("value")
        sound = isinstance(value, int | float) and not isinstance(value, bool)
        id, reply, outcome, unit = (_text(fields, key) for key in ("id", "reply", "outcome", "unit"))
        title = self._question if id == self._question_id else ""
        return Told(id, title, 0, t_s, reply, outcome, float(value) if sound else None, unit)  # type: ignore[arg-type]

    def _t_s(self, t_ns: int) -> float:
        return round(max(0, t_ns - self._first_ns) / 1e9, 6)

    def _after(self, state: BringupState, step: str, mark: Mark) -> BringupState:
        fields = mark.fields
        match step:
            case "stage" if len(state.stages) < _MOST:
                return replace(state, stages=(*state.stages, _stage(fields)))
            case "begin":
                self._begun_ns = mark.t_ns
                name = _text(fields, "stage")
                return replace(_with(state, name, state=State.RUNNING, found="", off="", outcome=None), current=name)
            case "end":
                return self._end(state, mark)
            case "trust":
                return _with(state, _text(fields, "stage"), state=State.TRUSTED)
            case "again":
                for name in _text(fields, "stages").split():
                    state = _with(state, name, state=State.AGAIN)
                return state
            case "ask":
                asked = _asked(fields)
                self._question_id, self._question = asked.id, asked.title
                return replace(state, asked=asked)
            case "answer":
                return replace(state, asked=None)
            case "suspects":
                stage, before, other = _text(fields, "stage"), _text(fields, "before"), _number(fields, "other")
                notes = _texts(fields, "notes")
                return replace(
                    state, stopped_at=stage, suspects=(), before=before, notes=notes, other=other, asked=None
                )
            case "suspect" if len(state.suspects) < _MOST:
                return replace(state, suspects=(*state.suspects, _suspect(fields)))
            case "cleared":
                key = _text(fields, "key")
                marked = tuple(replace(one, cleared=True) if one.key == key else one for one in state.suspects)
                return replace(state, suspects=marked)
            case "repair":
                done = _repaired(state, fields, round(self._t_s(mark.t_ns), 3))
                return replace(state, repairs=(*state.repairs[-_MOST:], done), suspects=(), asked=None)
            case "undo":
                return _taken_back(state, _text(fields, "stage"), _text(fields, "repair"))
            case "done":
                return replace(state, outcome=_outcome(fields), current="", asked=None)
            case _:
                return state

    def _end(self, state: BringupState, mark: Mark) -> BringupState:
        fields = mark.fields
        name, outcome = _text(fields, "stage"), _outcome(fields)
        before = state.stage(name)
        if before is None:
            return state
        good = outcome is Outcome.OK
        took_s = max(0, mark.t_ns - self._begun_ns) / 1e9
        found, off, seen = _text(fields, "found"), _text(fields, "off"), tuple(_text(fields, "seen").split())
        skipped = good and fields.get("skipped") is True
        passed = State.SKIPPED if skipped else State.PASSED
        ended = _with(
            state,
            name,
            state=passed if good else State.LEFT if outcome is Outcome.STOPPED else State.FAILED,
            outcome=outcome,
            found=found,
            off=off,
            runs=before.runs + 1,
            elapsed_s=round(before.elapsed_s + took_s, 6),
        )
        run = Ran(name, 0, self._t_s(self._begun_ns), round(took_s, 6), outcome, found, off, seen)
        ended = replace(ended, history=state.history.ended(run))
        if not good or state.stopped_at == name:  # whom this failure makes suspect is told next
            ended = replace(ended, stopped_at="" if good else name, suspects=())
        return replace(ended, current="", asked=None)


def _with(plan: BringupState, name: str, **changes: Any) -> BringupState:
    stages = tuple(replace(stage, **changes) if stage.id == name else stage for stage in plan.stages)
    return replace(plan, stages=stages)


def _stage(fields: Mapping[str, Value]) -> StageState:
    return StageState(
        _text(fields, "stage"),
        _text(fields, "work"),
        _text(fields, "title"),
        tuple(_text(fields, "after").split()),
        _text(fields, "look"),
        fields.get("hot") is True,
        limits=_text(fields, "limits"),
    )


def _repaired(state: BringupState, fields: Mapping[str, Value], t_s: float) -> Repaired:
    """What was put right, and where: as the suspect said, else as far as its key and the parts tell."""
    key = _text(fields, "key")
    suspect = next((one for one in state.suspects if one.key == key), None)
    parts = _text(fields, "parts").split()
    part = suspect.part if suspect is not None else parts[0] if len(parts) == 1 else ""
    pins = suspect.pins if suspect is not None else tuple(_text(fields, "pins").split())
    return Repaired(key, _text(fields, "title"), state.stopped_at, t_s, part, pins, state.history.turn)


def _taken_back(state: BringupState, stage: str, repair: str) -> BringupState:
    """Without an answer: its stage is to be done again, its repair was none; whom it made suspect is ranked anew."""
    for one in state.stages:
        if one.id == stage or one.state is State.RUNNING:
            state = _with(state, one.id, state=State.AGAIN if one.runs else State.WAITING)
    at = max((n for n, one in enumerate(state.repairs) if repair and one.key == repair), default=len(state.repairs))
    return replace(
        state,
        repairs=(*state.repairs[:at], *state.repairs[at + 1 :]),
        suspects=(),
        current="",
        asked=None,
        stopped_at="" if state.stopped_at == stage else state.stopped_at,
    )


def _asked(fields: Mapping[str, Value]) -> Asked:
    pairs = [part.partition(": ") for part in _texts(fields, "answers")]
    id, title, why, caution = (_text(fields, key) for key in ("id", "title", "why", "caution"))
    answers, undoable = tuple((answer, means) for answer, _, means in pairs), fields.get("undoable") is True
    return Asked(id, title, why, caution, answers, _text(fields, "unit"), undoable)


def _suspect(fields: Mapping[str, Value]) -> SuspectState:
    return SuspectState(
        key=_text(fields, "key"),
        part=_text(fields, "part"),
        title=_text(fields, "title"),
        probability=min(1.0, _number(fields, "probability")),
        minutes=_number(fields, "minutes"),
        why=_texts(fields, "why"),
        look=_text(fields, "look"),
        caution=_text(fields, "caution"),
        pins=tuple(_text(fields, "pins").split()),
        cleared=fields.get("cleared") is True,
    )


def _text(fields: Mapping[str, Value], name: str) -> str:
    value = fields.get(name)
    return "" if value is None else clean(str(value), 2000)


def _texts(fields: Mapping[str, Value], name: str) -> tuple[str, ...]:
    text = _text(fields, name)
    return tuple(text.split(SEPARATOR)) if text else ()


def _number(fields: Mapping[str, Value], name: str) -> float:
    value = fields.get(name)
    usable = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 1e9
    return float(value) if usable else 0.0  # type: ignore[arg-type]  # usable says so


def _outcome(fields: Mapping[str, Value]) -> Outcome:
    word = _text(fields, "outcome")
    return Outcome(word) if word in set(Outcome) else Outcome.INTERNAL
