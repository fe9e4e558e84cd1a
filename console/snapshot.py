"""The whole fold: events in, one frozen picture out, from which screens, text, JSON and reports are made.

The same `Fold` runs over a live port, the simulated bench and a capture: a replay cannot tell another story.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

import protocols
from console.bringup.fold import BringupFold, BringupState
from console.causes.contradictions import Contradiction, contradictions
from console.causes.evidence import Evidence, Observation
from console.causes.nextcheck import next_check
from console.causes.observation import ObservationFold
from console.causes.rank import NextCheck, RankedCause, rank
from console.causes.wires import WireEvidence, wires
from console.deeds import Deed, deed_of
from console.errors import Outcome
from console.events import Chunk, Event, LineEvent, Mark, MarkKind, Value
from console.programming.fold import GO_ON, Programming, ProgrammingFold, after_a_cut
from console.session.exchange import Trace
from console.session.stage import StageFold, StageResult
from console.session.wording import line_words, mark_words, span_of_test
from console.text import clean
from protocols import lines
from protocols.family import Identity, Observer

_SHOWN_SETTINGS = (
    "baud",
    "frame",
    "frame_in_use",
    "family",
    "line_errors",
    "low_latency",
    "opening_pulse",
    "dtr",
    "rts",
    "simulated",
)
DEFAULT_FAMILY = "an3155"
_MOST_FINDINGS: Final = 100
_MOST_KEPT: Final = 50  # a noisy line or a strange capture must not fill the memory with remarks


@dataclass(frozen=True, slots=True)
class Problem:
    """Why a run ended badly, in words for a person."""

    code: str
    message: str
    help: str


@dataclass(frozen=True, slots=True)
class Attempt:
    """What an attempt that is over showed, and what was thought of it before the next one began."""

    n: int
    observations: tuple[Observation, ...]
    causes: tuple[RankedCause, ...]


@dataclass(frozen=True, slots=True)
class Finding:
    """What a test of the console's own showed: its name, words, and the values it came from."""

    test: str
    message: str
    values: tuple[tuple[str, Value], ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything the console knows at one moment. `outcome` is None while something runs or nothing was tried.

    `undoable` names the answer of the operator that "undo" would take back. `test`: the latest attempt was a test of
    the line, so that its outcome is no answer of the board. `simulated` is None where nobody said which board it was.
    `unique_id`: 24 hex digits that tell the chip that was read last from all others, "" where none was read.
    """

    port: str
    settings: tuple[tuple[str, Value], ...]
    outcome: Outcome | None
    running_stage: str | None
    attempt: int
    wires_swapped: bool
    identity: Identity | None
    stages: tuple[StageResult, ...]
    observations: tuple[Observation, ...]
    causes: tuple[RankedCause, ...]
    next_check: NextCheck | None
    contradictions: tuple[Contradiction, ...]
    undoable: str
    wires: tuple[WireEvidence, ...]
    problem: Problem | None
    rows: int
    notes: tuple[str, ...]
    programming: Programming | None = None
    findings: tuple[Finding, ...] = ()
    test: bool = False
    bringup: BringupState | None = None
    started_ns: int | None = None
    earlier: tuple[Attempt, ...] = ()
    deeds: tuple[Deed, ...] = ()
    simulated: bool | None = None
    unique_id: str = ""


class Fold:
    """Takes events one by one; `snapshot` is computed only when somebody looks.

    `priors` are the causes' priors where the bench's own counts replace the catalogue's.
    """

    def __init__(self, priors: Mapping[str, float] | None = None) -> None:
        self._priors = priors
        self.trace = Trace()
        self._stages = StageFold()
        self._seen = ObservationFold()
        self._programming = ProgrammingFold()
        self._bringup = BringupFold()
        self._known = Identity()
        self._observer: Observer = protocols.load(DEFAULT_FAMILY).observer()
        self._family = DEFAULT_FAMILY
        self._port = ""
        self._settings: dict[str, Value] = {}
        self._swapped = False
        self._rate = 0.0
        self._problem: Problem | None = None
        self._hard_outcome: Outcome | None = None
        self._ended = False
        self._unique_id = ""
        self._notes: list[str] = []
        self._findings: deque[Finding] = deque(maxlen=_MOST_FINDINGS)
        self._testing = False  # the bytes that pass now are a test of the line
        self._tested_attempt = 0
        self._earlier: list[Attempt] = []
        self._deeds: list[Deed] = []
        self._tried_at: tuple[Value, ...] = ()  # rate and frame of the latest attempt
        self._simulated: bool | None = None
        self._settled: Judgement = ((), None, ())
        self._version = 0
        self._cached: tuple[int, Snapshot] | None = None

    def add(self, event: Event) -> None:
        """Take one event; any event is acceptable, whatever its source."""
        self._version += 1
        self._stages.seen(event.t_ns)
        match event:
            case Chunk():
                self._stages.chunk(event)
                if self._testing:
                    self.trace.spans(event.t_ns, [span_of_test(event)])
                    return
                spans = self._observer.feed(event.direction, event.data)
                self.trace.spans(event.t_ns, spans)
                if not self._tested:
                    for span in spans:
                        self._seen.span(span, event.t_ns)
            case LineEvent():
                self.trace.remark(event.t_ns, "line", line_words(event), event.data)
                if not self._tested:
                    self._seen.line_event(event)
            case Mark():
                self._mark(event)

    def snapshot(self) -> Snapshot:
        """The picture of this moment."""
        if self._cached is not None and self._cached[0] == self._version:
            return self._cached[1]
        evidence = self._seen.evidence()
        # half an attempt proves nothing: while it runs, what the attempts before it said still stands
        ranked, check, clashes = self._settled if self._stages.running else self._judge(evidence)
        identity = self._identity
        stages = self._stages.all()
        snapshot = Snapshot(
            port=self._port,
            settings=tuple((name, self._settings[name]) for name in _SHOWN_SETTINGS if name in self._settings),
            outcome=self._outcome(stages),
            running_stage=self._stages.running,
            attempt=self._stages.attempt,
            wires_swapped=self._swapped,
            identity=identity if identity != Identity() else None,
            stages=stages,
            observations=evidence.observations,
            causes=ranked,
            next_check=check,
            contradictions=clashes,
            undoable=self._seen.undoable,
            wires=wires(evidence, ranked),
            problem=self._problem_of(stages, check),
            rows=len(self.trace),
            notes=tuple(self._notes),
            programming=self._programming.state,
            findings=tuple(self._findings),
            test=self._tested,
            bringup=self._bringup.state,
            started_ns=self._stages.first_ns,
            earlier=tuple(self._earlier),
            deeds=tuple(self._deeds),
            simulated=self._simulated,
            unique_id=self._unique_id,
        )
        self._cached = (self._version, snapshot)
        return snapshot

    def _mark(self, mark: Mark) -> None:
        fields = mark.fields
        self._programming.mark(mark)
        match mark.kind:
            case MarkKind.SETTINGS:
                self._take_settings(mark)
            case MarkKind.ATTEMPT:
                self._attempt_is_over()
                self._tries_at(mark)
                self._stages.attempt += 1
                self._testing = False
                self._swapped = fields.get("wires") == "swapped"
                self._observer.restart()
                self._seen.attempt(self._swapped, frame=str(self._settings.get("frame", "")), rate=self._rate)
                self._problem = self._hard_outcome = None
                self._programming.attempt()
            case MarkKind.STAGE_BEGIN:
                self._stages.begin(mark)
                self._testing = fields.get("test") is True
                if self._testing and fields.get("aside") is not True:
                    self._tested_attempt = self._stages.attempt
                else:
                    self._seen.stage_begin(str(fields.get("name", "")))
                self.trace.stage(clean(str(fields.get("name", ""))))
            case MarkKind.STAGE_END:
                self._stages.end(mark)
                hint = str(fields.get("hint", ""))
                tested, self._testing = self._testing, False
                if not tested:
                    self._seen.stage_end(str(fields.get("name", "")), str(fields.get("outcome", "")), hint)
            case MarkKind.FINDING:
                self._found(mark)
            case MarkKind.OPERATOR:
                self._seen.operator(str(fields.get("action", "")), fields)
                if fields.get("action") != "asked":  # what was only proposed is no deed
                    outcome = fields.get("outcome") or fields.get("text") or fields.get("item")
                    self._did(mark, str(fields.get("action") or ""), str(outcome or ""))
            case MarkKind.LINK_LOST:
                self._seen.link_lost()
                self._fail(mark, "link-lost", Outcome.PORT)
            case MarkKind.ERROR:
                code = str(fields.get("code", "internal"))
                self._seen.port_trouble(code)
                word = str(fields.get("outcome", ""))
                self._fail(mark, code, Outcome(word) if word in set(Outcome) else Outcome.INTERNAL)
            case MarkKind.BRINGUP:
                self._bringup.mark(mark)
                self._take_board(mark)
            case MarkKind.STOPPED:
                self._hard_outcome = Outcome.STOPPED
            case MarkKind.END:
                self._ended = True
            case MarkKind.CHIP:
                self._unique_id = clean(str(fields.get("unique_id") or ""), 80)
            case MarkKind.NOTE:
                if len(self._notes) < _MOST_KEPT:
                    self._notes.append(mark_words(mark))
        self.trace.remark(mark.t_ns, "mark", mark_words(mark))
        if mark.kind is MarkKind.STAGE_END:
            self.trace.stage("")

    def _attempt_is_over(self) -> None:
        evidence = self._seen.evidence()
        self._settled = self._judge(evidence)
        if self._stages.attempt:
            if len(self._earlier) == _MOST_KEPT:
                del self._earlier[1]  # the first failure is what a history asks for; of the rest the latest
            self._earlier.append(Attempt(self._stages.attempt, evidence.observations, self._settled[0]))

    def _tries_at(self, mark: Mark) -> None:
        """An attempt at another rate or frame than the one before is another thing that was changed."""
        now = tuple(self._settings.get(key) for key in ("baud", "frame"))
        if self._stages.attempt and now != self._tried_at:
            self._did(mark, "settings", " ".join(str(value) for value in now))
        self._tried_at = now

    def _did(self, mark: Mark, action: str, outcome: str) -> None:
        if len(self._deeds) < _MOST_KEPT:
            at_ns = mark.t_ns - (self._stages.first_ns or mark.t_ns)
            self._deeds.append(deed_of(mark.fields, action, outcome, at_ns=at_ns, attempt=self._stages.attempt))

    def _judge(self, evidence: Evidence) -> Judgement:
        # one clash is enough to repeat a reading; what hangs together only a little is no clash
        clashes = contradictions(evidence)[:2] if evidence.checks else ()
        return rank(evidence, self._priors), next_check(evidence, priors=self._priors), clashes

    def _take_board(self, mark: Mark) -> None:
        if isinstance(told := mark.fields.get("simulated"), bool):
            self._simulated = told or self._simulated is True  # one simulated board is enough to make a session one

    def _take_settings(self, mark: Mark) -> None:
        self._take_board(mark)
        self._settings = {
            name: clean(value) if isinstance(value, str) else value for name, value in mark.fields.items()
        }
        self._port = str(self._settings.get("port", ""))
        baud = self._settings.get("baud")
        self._rate = float(baud) if isinstance(baud, (int, float)) else 0.0
        self._stages.settings(self._rate, str(self._settings.get("frame", "")))
        family = str(self._settings.get("family", DEFAULT_FAMILY))
        if mark.fields.get("retuned") is True and family == self._family:
            return  # the port stayed open: it is the same board
        same = lines.NAME in (family, self._family)  # to the board's own program and back
        self._known = self._identity if same else Identity()
        self._family = family
        if family == lines.NAME:
            self._observer = lines.LinesObserver()
            return
        try:
            self._observer = protocols.load(family).observer()
        except LookupError:
            self._notes.append(f"unknown protocol family {family}: read as {DEFAULT_FAMILY}")

    def _found(self, mark: Mark) -> None:
        fields = mark.fields
        safe = {name: clean(value) if isinstance(value, str) else value for name, value in fields.items()}
        values = tuple((name, value) for name, value in safe.items() if name not in ("test", "message"))
        self._findings.append(Finding(str(safe.get("test", "")), str(safe.get("message", "")), values))
        if fields.get("check"):
            outcome = str(fields.get("outcome", ""))
            self._seen.answered(str(fields["check"]), outcome, hands=fields.get("hands") is True)
            self._did(mark, "finding", outcome)
        if fields.get("seen") == "echo":
            sent = fields.get("matched")
            self._seen.echoed(sent if type(sent) is int else 1)

    def _fail(self, mark: Mark, code: str, outcome: Outcome) -> None:
        words = {name: clean(str(mark.fields.get(name) or "")) for name in ("message", "help")}
        self._problem = Problem(clean(code), words["message"], words["help"])
        self._hard_outcome = outcome

    @property
    def _identity(self) -> Identity:
        """What the chip has said, also before the port was opened anew."""
        now = self._observer.identity
        return now if now != Identity() else self._known

    @property
    def _tested(self) -> bool:
        """The latest attempt is a test: hands move wires around it, so that what arrives is no sign of a fault."""
        return 0 < self._tested_attempt == self._stages.attempt

    def _outcome(self, stages: tuple[StageResult, ...]) -> Outcome | None:
        plan = self._bringup.state
        if plan is not None:  # a stage that failed and was mended is part of a good story
            return plan.settled() if self._ended else plan.outcome
        if self._hard_outcome is not None:
            return self._hard_outcome
        if self._stages.running is not None:
            return None
        last = [stage.outcome for stage in stages if stage.attempt == self._stages.attempt]
        bad = next((outcome for outcome in last if outcome not in (Outcome.OK, None)), None)
        if bad is not None:
            return bad
        run = self._programming.state
        if run is not None and run.planned and not run.complete:  # nothing but a complete proof is a good end
            return Outcome.STOPPED if run.ended or self._ended else None
        if self._tested or self._identity.product_id is not None:
            return Outcome.OK
        return Outcome.NO_ANSWER if self._ended else None

    def _problem_of(self, stages: tuple[StageResult, ...], check: NextCheck | None) -> Problem | None:
        outcome = self._outcome(stages)
        if self._bringup.state is not None and (self._problem is None or self._hard_outcome is not outcome):
            words = self._bringup.state.problem(outcome)
            return None if words is None else Problem(*words)
        if self._problem is not None:
            cut = self._problem.code == "link-lost" and self._programming.state is not None
            return replace(self._problem, help=after_a_cut(self._problem.help)) if cut else self._problem
        if outcome in (None, Outcome.OK):
            return None
        failed = next((stage for stage in reversed(stages) if stage.outcome is outcome), None)
        if outcome is Outcome.STOPPED:
            advice = "start again when ready" if self._programming.state is None else GO_ON
            return Problem("stopped", "stopped by the user", advice)
        if failed is None:
            return Problem("no-answer", "the record holds no identified target", "repeat the handshake")
        again = "repeat the test" if self._tested else "repeat the handshake"
        advice = f"{check.title} ({check.minutes:g} min)" if check else again
        if self._programming.state is not None:
            advice = GO_ON
        return Problem(outcome.value, f"stage {failed.name}: {failed.message or outcome.value}", advice)


Judgement: TypeAlias = tuple[tuple[RankedCause, ...], NextCheck | None, tuple[Contradiction, ...]]


def ended(snapshot: Snapshot) -> Snapshot:
    """The picture once nothing more can come: what still runs was cut off, what never began got no answer."""
    if snapshot.outcome is not None:
        return snapshot
    if snapshot.bringup is not None:
        plan, at = snapshot.bringup, snapshot.bringup.current or snapshot.bringup.stopped_at
        message = f"the record ends in the middle of the plan{f', at {at}' if at else ''}"
        problem = Problem("incomplete", message, "run it again; --from STAGE goes on from a stage")
        return replace(snapshot, outcome=plan.settled(), running_stage=None, problem=problem)
    run = snapshot.programming
    if snapshot.running_stage is None and run is None:
        return replace(snapshot, outcome=Outcome.NO_ANSWER)
    at = f"stage {snapshot.running_stage}" if snapshot.running_stage is not None else "the task on the chip"
    problem = Problem(
        "incomplete", f"the record ends while {at} runs", "repeat the handshake" if run is None else GO_ON
    )
    return replace(snapshot, outcome=Outcome.STOPPED, running_stage=None, problem=problem)


def exit_code(snapshot: Snapshot) -> int:
    """Exit code of a run that ended with this picture."""
    return (ended(snapshot).outcome or Outcome.NO_ANSWER).exit_code
