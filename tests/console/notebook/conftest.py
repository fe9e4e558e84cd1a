"""Sessions of a small run of boards, made without a port."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from console.errors import Outcome
from console.events import Chunk, Event, Mark, MarkKind
from console.notebook.entry import Entry, Fix
from console.session.stage import StageResult
from console.snapshot import Attempt, Fold, Snapshot
from tests.fake_link import ANSWERS

DAY_NS = 86_400 * 10**9
START_NS = 1_760_000_000 * 10**9


def stage(
    name: str, outcome: Outcome | None = Outcome.OK, attempt: int = 1, elapsed_s: float = 0.03, message: str = ""
) -> StageResult:
    return StageResult(name, attempt, outcome, 0.0, elapsed_s, 0.001, 0.002, 0.003, 1, 1, "", message)


def entry(
    board: str = "tern-07",
    *,
    day: float = 0,
    first: Outcome = Outcome.OK,
    last: Outcome | None = None,
    fix: Fix | None = None,
    simulated: bool = False,
    codes: tuple[tuple[str, int], ...] = (("silence", 1),),
    stages: tuple[StageResult, ...] | None = None,
    **more: Any,
) -> Entry:
    """A session that ended as it began unless `last` says otherwise; failures stop at sync."""
    from console.causes.observation import Observation
    from console.causes.rank import RankedCause

    failed = first is not Outcome.OK
    seen = tuple(Observation(code, code, count) for code, count in codes) if failed else ()
    causes = (RankedCause("wires-uncrossed", "TX and RX are not crossed", 0.4, ()),) if failed else ()
    values: dict[str, Any] = {
        "revision": "",
        "product_id": 0x410 if (last or first) is Outcome.OK else None,
        "unique_id": "",
        "port": "/dev/ttyUSB0",
        "settings": (("baud", 115200), ("frame", "8E1")),
        "capture": "",
        "capture_sha256": "",
        "tool_version": "0.1.0",
        "attempts": (Attempt(1, seen, causes),),
        "deeds": (),
    }
    return Entry(
        **(values | more),
        board=board,
        started_ns=START_NS + round(day * DAY_NS),
        outcome=last or first,
        first_outcome=first,
        stopped_at="sync" if failed else "",
        failed_attempt=1 if failed else 0,
        simulated=simulated,
        stages=stages if stages is not None else (stage("sync", first),),
        fixes=() if fix is None else (fix,),
    )


class Told:
    """Events of one session as they would come from a port, a step at a time."""

    def __init__(self) -> None:
        self.fold = Fold()
        self._now = START_NS
        self._attempt = 0
        self._swapped = False
        self.opens()

    def opens(self, **settings: Any) -> Told:
        """The port opens, or takes other settings."""
        usual = {"port": "/dev/ttyUSB0", "baud": 115200, "frame": "8E1", "family": "an3155"}
        self.mark(MarkKind.SETTINGS, **(usual | settings))
        return self

    def mark(self, kind: MarkKind, **fields: Any) -> None:
        self._event(Mark(self._now, kind, fields))

    def tries(self, answers: bool) -> Told:
        """One attempt, to which the board answers all (the note's worked bytes) or nothing."""
        self._attempt += 1
        self.mark(MarkKind.ATTEMPT, n=self._attempt, wires="swapped" if self._swapped else "as-built")
        self.mark(MarkKind.STAGE_BEGIN, name="sync")
        self._bytes("out", b"\x7f")
        if not answers:
            self.mark(MarkKind.STAGE_END, name="sync", outcome="no-answer", hint="no-reply", message="no answer")
            return self
        self._bytes("in", b"\x79")
        self.mark(MarkKind.STAGE_END, name="sync", outcome="ok")
        self.mark(MarkKind.STAGE_BEGIN, name="identify")
        for out, back in list(ANSWERS.items())[1:]:
            self._bytes("out", out)
            self._bytes("in", back)
        self.mark(MarkKind.STAGE_END, name="identify", outcome="ok")
        return self

    def does(self, action: str, **fields: Any) -> Told:
        """The operator does or finds something."""
        self._swapped ^= action == "swap-done"
        self.mark(MarkKind.OPERATOR, action=action, **fields)
        return self

    @property
    def snapshot(self) -> Snapshot:
        return self.fold.snapshot()

    def _bytes(self, way: Any, data: bytes) -> None:
        self._event(Chunk(self._now, way, data))

    def _event(self, event: Event) -> None:
        self.fold.add(event)
        self._now += 1_000_000


@pytest.fixture
def told() -> Told:
    return Told()


@pytest.fixture
def make() -> Callable[..., Entry]:
    return entry


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "bench" / "notebook.sqlite"
