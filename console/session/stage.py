"""Stages and where their time went: a fold over events, the same live and in replay.

For every stage: `elapsed = wire + chip + host + waited`. Wire time is computed from the characters and the port's
settings; chip time is what passed between the last bit sent and the first bit answered; host time is ours, from an
answer to the next request; what remains was spent waiting for something that did not come.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from console.errors import Outcome
from console.events import Chunk, Mark
from console.text import clean
from protocols.uart import EIGHT_E_ONE, Frame

LISTEN, SYNC, IDENTIFY = "listen", "sync", "identify"
# how an attempt can end that says something about the board; the rest is about the port, the file or the person
VERDICTS: Final = frozenset({Outcome.OK, Outcome.NO_ANSWER, Outcome.REFUSED, Outcome.MISMATCH})


@dataclass(frozen=True, slots=True)
class StageResult:
    """One stage; times in seconds, `started_s` from the first event. `outcome` is None while it runs.

    `test`: it was a test of the line, so that its outcome says nothing about the board.
    """

    name: str
    attempt: int
    outcome: Outcome | None
    started_s: float
    elapsed_s: float
    wire_s: float
    chip_s: float
    host_s: float
    bytes_out: int
    bytes_in: int
    hint: str = ""
    message: str = ""
    test: bool = False

    @property
    def waited_s(self) -> float:
        """Time that belongs neither to the line, the chip's answers nor us."""
        return max(0.0, self.elapsed_s - self.wire_s - self.chip_s - self.host_s)


def ends(stages: Iterable[StageResult]) -> list[tuple[int, Outcome]]:
    """How each attempt ended that spoke to the board, by its number; one that was cut off counts as stopped."""
    first_bad: dict[int, Outcome] = {}
    spoke: dict[int, None] = {}
    for stage in stages:
        outcome = stage.outcome or Outcome.STOPPED
        if outcome is not Outcome.OK:
            first_bad.setdefault(stage.attempt, outcome)
        if stage.name != LISTEN and not stage.test:
            spoke[stage.attempt] = None
    return [(n, first_bad.get(n, Outcome.OK)) for n in spoke]


class _Running:
    """Sums of the stage that runs now; nanoseconds."""

    def __init__(self, name: str, attempt: int, begun_ns: int, test: bool) -> None:
        self.name = name
        self.test = test
        self.attempt = attempt
        self.begun_ns = begun_ns
        self.bytes_out = 0
        self.bytes_in = 0
        self.chip_ns = 0.0
        self.host_ns = 0.0
        self.line_free_ns = 0.0  # when the last bit we sent has left
        self.last_in_ns: int | None = None
        self.answered = True

    def out(self, t_ns: int, count: int, char_ns: float) -> None:
        if self.last_in_ns is not None and self.answered:
            self.host_ns += t_ns - self.last_in_ns
        self.bytes_out += count
        self.line_free_ns = max(self.line_free_ns, t_ns) + count * char_ns
        self.answered = False

    def into(self, t_ns: int, count: int, char_ns: float) -> None:
        self.bytes_in += count
        if not self.answered:
            self.chip_ns += max(0.0, t_ns - count * char_ns - self.line_free_ns)
            self.answered = True
        self.last_in_ns = t_ns


class StageFold:
    """Collects stage results from chunks and marks in time order."""

    def __init__(self) -> None:
        self.results: list[StageResult] = []
        self.attempt = 0
        self.first_ns: int | None = None
        self._last_ns = 0
        self._running: _Running | None = None
        self._baud = 115200.0
        self._frame = EIGHT_E_ONE
        self._char_ns = self._frame.char_s(self._baud) * 1e9

    @property
    def char_s(self) -> float:
        """Seconds one character needs at the port's settings."""
        return self._char_ns / 1e9

    @property
    def running(self) -> str | None:
        """Name of the stage that runs now."""
        return self._running.name if self._running else None

    def settings(self, baud: float, frame: str) -> None:
        """Take over the port's settings; a frame that cannot be read leaves the former one."""
        with suppress(ValueError):
            self._frame = Frame.parse(frame)
        if baud > 0:
            self._baud = baud
        self._char_ns = self._frame.char_s(self._baud) * 1e9

    def seen(self, t_ns: int) -> None:
        """Every event passes here first: keeps the beginning and the latest time."""
        if self.first_ns is None:
            self.first_ns = t_ns
        self._last_ns = max(self._last_ns, t_ns)

    def chunk(self, chunk: Chunk) -> None:
        """Count bytes and split the turn's time."""
        if self._running is not None:
            step = self._running.out if chunk.direction == "out" else self._running.into
            step(chunk.t_ns, len(chunk.data), self._char_ns)

    def begin(self, mark: Mark) -> None:
        """A stage begins; one that never ended is closed as stopped."""
        if self._running is not None:
            self._finish(mark.t_ns, Outcome.STOPPED, "", "")
        self._running = _Running(
            clean(str(mark.fields.get("name", "?")), 60), self.attempt, mark.t_ns, mark.fields.get("test") is True
        )

    def end(self, mark: Mark) -> None:
        """A stage ends with the outcome the mark carries; a strange outcome counts as internal."""
        if self._running is None:
            return
        word = str(mark.fields.get("outcome", ""))
        outcome = Outcome(word) if word in set(Outcome) else Outcome.INTERNAL
        hint, message = (clean(str(mark.fields.get(key, ""))) for key in ("hint", "message"))
        self._finish(mark.t_ns, outcome, hint, message)

    def all(self) -> tuple[StageResult, ...]:
        """All results, the running stage last with what it has so far."""
        if self._running is None:
            return tuple(self.results)
        return (*self.results, self._result(self._running, self._last_ns, None, "", ""))

    def _finish(self, t_ns: int, outcome: Outcome, hint: str, message: str) -> None:
        assert self._running is not None
        self.results.append(self._result(self._running, t_ns, outcome, hint, message))
        self._running = None

    def _result(self, run: _Running, t_ns: int, outcome: Outcome | None, hint: str, message: str) -> StageResult:
        first = self.first_ns if self.first_ns is not None else run.begun_ns
        return StageResult(
            name=run.name,
            attempt=run.attempt,
            outcome=outcome,
            started_s=round((run.begun_ns - first) / 1e9, 6),
            elapsed_s=round(max(0, t_ns - run.begun_ns) / 1e9, 6),
            wire_s=round((run.bytes_out + run.bytes_in) * self._char_ns / 1e9, 6),
            chip_s=round(run.chip_ns / 1e9, 6),
            host_s=round(run.host_ns / 1e9, 6),
            bytes_out=run.bytes_out,
            bytes_in=run.bytes_in,
            hint=hint,
            message=message,
            test=run.test,
        )
