"""Where a stage's time went. Arithmetic of the frame: 8E1 is 11 bit times a character (definition of the frame)."""

from __future__ import annotations

import pytest

from console.errors import Outcome
from console.events import Chunk, Mark, MarkKind
from console.session.stage import StageFold

MS = 1_000_000


def fold_of(*events: Chunk | Mark) -> StageFold:
    fold = StageFold()
    fold.settings(11_000, "8E1")  # one character per millisecond
    for event in events:
        fold.seen(event.t_ns)
        if isinstance(event, Chunk):
            fold.chunk(event)
        elif event.kind is MarkKind.STAGE_BEGIN:
            fold.begin(event)
        else:
            fold.end(event)
    return fold


def begin(t: int) -> Mark:
    return Mark(t * MS, MarkKind.STAGE_BEGIN, {"name": "sync"})


def end(t: int, outcome: str = "ok") -> Mark:
    return Mark(t * MS, MarkKind.STAGE_END, {"name": "sync", "outcome": outcome, "hint": "nack", "message": "m"})


def test_time_is_split_into_wire_chip_and_host() -> None:
    (stage,) = fold_of(
        begin(0),
        Chunk(0, "out", b"ab"),  # on the line until 2 ms
        Chunk(8 * MS, "in", b"c"),  # began at 7 ms: the chip took 5
        Chunk(11 * MS, "out", b"d"),  # we took 3; on the line until 12 ms
        Chunk(14 * MS, "in", b"e"),  # began at 13 ms: the chip took 1
        end(14),
    ).all()
    assert stage.outcome is Outcome.OK
    assert stage.elapsed_s == pytest.approx(0.014)
    assert stage.wire_s == pytest.approx(0.005)
    assert stage.chip_s == pytest.approx(0.006)
    assert stage.host_s == pytest.approx(0.003)
    assert stage.waited_s == pytest.approx(0)
    assert (stage.bytes_out, stage.bytes_in) == (3, 2)


def test_silence_is_waiting_not_chip_time() -> None:
    (stage,) = fold_of(begin(0), Chunk(0, "out", b"a"), end(300, "no-answer")).all()
    assert stage.outcome is Outcome.NO_ANSWER
    assert stage.chip_s == 0
    assert stage.waited_s == pytest.approx(0.299)


def test_a_running_stage_shows_what_it_has() -> None:
    (stage,) = fold_of(begin(5), Chunk(9 * MS, "out", b"a")).all()
    assert stage.outcome is None
    assert stage.elapsed_s == pytest.approx(0.004)


def test_a_stage_that_never_ended_is_closed_and_a_strange_outcome_is_not_believed() -> None:
    first, second = fold_of(begin(0), begin(1), end(2, "splendid")).all()
    assert first.outcome is Outcome.STOPPED
    assert second.outcome is Outcome.INTERNAL


@pytest.mark.parametrize("frame", ["", "9X9", "8E1\x1b"])
def test_a_strange_frame_leaves_the_former_one(frame: str) -> None:
    fold = StageFold()
    fold.settings(11_000, frame)
    assert fold.char_s == pytest.approx(0.001)
