"""What spans, line events and stages are seen as. Byte values: AN3155 Rev 20 (7F sync, 79 ACK, 1F NACK)."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.nextcheck import next_check
from console.causes.observation import ObservationFold
from console.causes.rank import rank
from console.causes.wires import wires
from console.events import LineEvent, LineKind
from protocols.family import Direction, Role, Span

Step = tuple[Direction, bytes, Role, str]
SYNC: Step = ("out", b"\x7f", Role.SYNC, "")
ACK: Step = ("in", b"\x79", Role.ACK, "")
GET: Step = ("out", b"\x00\xff", Role.COMMAND, "Get")
READ: Step = ("out", b"\x11\xee", Role.COMMAND, "Read Memory")


def stray(data: bytes) -> Step:
    return ("in", data, Role.STRAY, "")


def nack(command: str) -> Step:
    return ("in", b"\x1f", Role.NACK, command)


def feed(fold: ObservationFold, steps: Sequence[Step]) -> None:
    for direction, data, role, command in steps:
        fold.span(Span(direction, 0, data, role, "words", command), 0)


def attempt(fold: ObservationFold, steps: Sequence[Step], outcome: str = "no-answer", swapped: bool = False) -> None:
    fold.attempt(swapped)
    fold.stage_begin("sync")
    feed(fold, steps)
    fold.stage_end("sync", outcome, "no-reply" if outcome == "no-answer" else "")


def codes(fold: ObservationFold) -> set[str]:
    return {seen.id for seen in fold.evidence().observations}


@pytest.mark.parametrize(
    ("steps", "outcome", "expected", "first"),
    [
        ([SYNC, SYNC], "no-answer", {"silence"}, "wires-uncrossed"),
        ([SYNC, stray(b"\x00")], "no-answer", {"low"}, "target-unpowered"),
        ([SYNC, stray(b"\x7f"), SYNC, stray(b"\x7f")], "no-answer", {"echo"}, "tx-rx-shorted"),
        ([stray(b"\x00"), SYNC, stray(b"\x7f")], "no-answer", {"echo"}, "tx-rx-shorted"),
        ([SYNC, stray(b"hello")], "no-answer", {"readable-text"}, "boot-strap-wrong"),
        ([SYNC, stray(b"\xfe\xf8\x06\xfe")], "no-answer", {"garbage"}, "no-common-ground"),
        ([SYNC, ACK, GET, nack("Get")], "ok", {"ack", "nack"}, "frame-format-wrong"),
        (
            [SYNC, ACK, GET, ("in", b"\x79", Role.ACK, "Get"), ("in", b"\x31", Role.VALUE, "Get"), READ, nack("")],
            "ok",
            None,
            "readout-protected",
        ),
    ],
)
def test_staged_symptom(steps: list[Step], outcome: str, expected: set[str] | None, first: str) -> None:
    fold = ObservationFold()
    attempt(fold, steps, outcome)
    assert codes(fold) == (expected or {"ack", "nack", "get-answered", "read-refused"})
    assert rank(fold.evidence())[0].id == first


@pytest.mark.parametrize("glitch", [b"\x00", b"\xff"])
def test_one_stray_byte_before_the_acknowledge_is_normal(glitch: bytes) -> None:
    fold = ObservationFold()
    attempt(fold, [stray(glitch), SYNC, ACK], "ok")
    assert codes(fold) == {"ack"}


def test_nothing_is_said_while_the_sync_still_waits() -> None:
    fold = ObservationFold()
    fold.attempt(False)
    fold.stage_begin("sync")
    feed(fold, [stray(b"\xff"), SYNC])
    assert codes(fold) == set()


def test_a_break_is_low_and_errors_are_errors() -> None:
    fold = ObservationFold()
    fold.attempt(False)
    fold.line_event(LineEvent(0, LineKind.BREAK))
    assert codes(fold) == {"low"}
    fold.line_event(LineEvent(0, LineKind.PARITY, b"\x79"))
    fold.line_event(LineEvent(0, LineKind.LINES))
    assert codes(fold) == {"low", "errors"}


def test_a_refusal_after_the_address_is_no_protection() -> None:
    fold = ObservationFold()
    value: Step = ("in", b"\x31", Role.VALUE, "Get")
    address: Step = ("out", bytes(5), Role.ADDRESS, "Read Memory")
    attempt(fold, [SYNC, ACK, GET, value, READ, address, nack("Read Memory")], "ok")
    assert "read-refused" not in codes(fold)


def test_a_port_that_vanishes_before_any_answer_points_at_the_supply() -> None:
    fold = ObservationFold()
    fold.attempt(False)
    fold.stage_begin("sync")
    feed(fold, [SYNC])
    fold.link_lost()
    fold.stage_end("sync", "port", "link-lost")
    assert codes(fold) == {"vanish"}
    assert rank(fold.evidence())[0].id == "supply-shorted"


def test_a_port_that_leaves_after_an_answer_is_a_lost_link() -> None:
    fold = ObservationFold()
    attempt(fold, [SYNC, ACK], "ok")
    fold.stage_begin("identify")
    fold.link_lost()
    assert rank(fold.evidence())[0].id == "link-lost"
    assert next_check(fold.evidence()) is None


@pytest.mark.parametrize(
    ("code", "first"), [("port-busy",) * 2, ("port-permission",) * 2, ("port-missing", "adapter-dead")]
)
def test_port_trouble(code: str, first: str) -> None:
    fold = ObservationFold()
    fold.port_trouble(code)
    assert rank(fold.evidence())[0].id == first


def test_already_synchronised_proves_the_wires() -> None:
    fold = ObservationFold()
    fold.attempt(False)
    fold.stage_begin("sync")
    feed(fold, [SYNC, SYNC, nack("")])
    fold.stage_end("sync", "ok", "already-synchronised")
    evidence = fold.evidence()
    (only,) = rank(evidence)
    assert only.id == "already-synchronised"
    assert [wire.id for wire in wires(evidence, (only,)) if wire.state == "proven"] == ["host-tx", "host-rx", "ground"]


def test_the_swap_story() -> None:
    fold = ObservationFold()
    attempt(fold, [SYNC])
    assert rank(fold.evidence())[0].id == "wires-uncrossed"
    fold.operator("swap-done", {})
    assert next_check(fold.evidence()) is None, "the swap is made: first try again"
    attempt(fold, [SYNC, ACK], "ok", swapped=True)
    fold.stage_begin("identify")
    fold.stage_end("identify", "ok", "")
    assert [cause.id for cause in rank(fold.evidence())] == ["wires-uncrossed"]


def test_a_repeated_attempt_counts_once_and_the_latest_reading_stands() -> None:
    fold = ObservationFold()
    attempt(fold, [SYNC])
    once = rank(fold.evidence())
    attempt(fold, [SYNC])
    assert rank(fold.evidence()) == once
    attempt(fold, [SYNC, stray(b"\xfe\xf8\x06\xfe")])
    assert codes(fold) == {"garbage"}
    assert len(fold.evidence().configured) == 1


def test_an_answered_check_moves_the_ranking_and_is_not_asked_again() -> None:
    fold = ObservationFold()
    attempt(fold, [SYNC])
    fold.operator("check", {"check": "K05", "outcome": "silent"})
    fold.operator("check", {"check": "\x1b[31mK15", "outcome": None})
    fold.operator("check", {"check": "K15", "outcome": "other-level"})
    assert rank(fold.evidence())[0].id == "boot-strap-wrong"
    check = next_check(fold.evidence())
    assert check is not None
    assert check.id not in {"K05", "K15"}


def test_equal_attempts_count_once_and_differing_ones_must_agree_three_times() -> None:
    """Require three equal results before an unsteady one is trusted: common practice, no source."""
    fold = ObservationFold()
    attempt(fold, [SYNC])
    attempt(fold, [SYNC, stray(b"noise")])
    (reading,) = fold.evidence().configured
    assert (reading.repeats, reading.unsteady) == (1, True)
    shaken = {cause.id: cause.probability for cause in rank(fold.evidence())}
    assert "intermittent-joint" in shaken
    for repeats in (2, 3):
        attempt(fold, [SYNC, stray(b"noise")])
        (reading,) = fold.evidence().configured
        assert (reading.repeats, reading.unsteady) == (repeats, True)
    settled = {cause.id: cause.probability for cause in rank(fold.evidence())}
    assert settled["boot-strap-wrong"] > shaken["boot-strap-wrong"], "text is believed only now"


def test_a_board_somebody_worked_on_may_change() -> None:
    for action, fields in (("reset-done", {}), ("check", {"check": "K23", "outcome": "silent"})):
        fold = ObservationFold()
        attempt(fold, [SYNC])
        fold.operator(action, fields)
        attempt(fold, [SYNC, stray(b"noise")])
        assert not any(reading.unsteady for reading in fold.evidence().configured)


def test_evidence_belongs_to_its_configuration() -> None:
    fold = ObservationFold()
    for frame, rate in (("8E1", 115200.0), ("8N1", 115200.0), ("8E1", 9600.0)):
        fold.attempt(False, frame=frame, rate=rate)
        fold.stage_begin("sync")
        feed(fold, [SYNC])
        fold.stage_end("sync", "no-answer", "no-reply")
    fold.operator("strap-done", {})
    attempt(fold, [SYNC])
    first, frame_changed, rate_changed, strap_changed = fold.evidence().configured
    assert frame_changed.changed(first) == {"frame"}
    assert rate_changed.changed(first) == {"rate"}
    assert "strap" in strap_changed.changed(first)
    assert not any(reading.unsteady for reading in fold.evidence().configured)


@pytest.mark.parametrize(
    ("frame", "rate", "cause"), [("8N1", 115200.0, "frame-format-wrong"), ("8E1", 9600.0, "baud-too-far")]
)
def test_what_was_changed_before_the_answer_is_the_cause(frame: str, rate: float, cause: str) -> None:
    fold = ObservationFold()
    fold.attempt(False, frame="8E1", rate=115200.0)
    fold.stage_begin("sync")
    feed(fold, [SYNC])
    fold.stage_end("sync", "no-answer", "no-reply")
    silent = {ranked.id: ranked.probability for ranked in rank(fold.evidence())}
    fold.attempt(False, frame=frame, rate=rate)
    fold.stage_begin("sync")
    feed(fold, [SYNC, ACK])
    fold.stage_end("sync", "ok", "")
    fold.stage_begin("identify")
    fold.stage_end("identify", "ok", "")
    (only,) = rank(fold.evidence())
    assert only.id == cause
    assert only.probability > 10 * silent.get(cause, 0.005)
    assert next_check(fold.evidence()) is None


def test_configurations_are_bounded() -> None:
    fold = ObservationFold()
    for rate in range(1000):
        fold.attempt(False, rate=float(rate))
        fold.stage_begin("sync")
        feed(fold, [SYNC])
        fold.stage_end("sync", "no-answer", "no-reply")
    assert len(fold.evidence().configured) <= 17


def test_a_flood_stays_small() -> None:
    fold = ObservationFold()
    fold.attempt(False)
    feed(fold, [stray(b"\xa5" * 5000)] * 200)
    for number in range(500):
        fold.operator("check", {"check": f"K{number}", "outcome": "x"})
    (seen,) = fold.evidence().observations
    assert (seen.id, seen.count) == ("garbage", 1_000_000)
    assert len(fold.evidence().checks) <= 64


steps = st.one_of(
    st.builds(
        lambda d, b, r, c: ("span", Span(d, 0, b, r, "", c)),
        st.sampled_from(["in", "out"]),
        st.binary(max_size=9),
        st.sampled_from(Role),
        st.sampled_from(["", "Get", "Read Memory"]),
    ),
    st.tuples(st.just("line"), st.sampled_from(LineKind)),
    st.tuples(st.just("begin"), st.sampled_from(["listen", "sync", "identify", "?"])),
    st.tuples(st.just("end"), st.sampled_from(["ok", "no-answer", "refused", "?"])),
    st.tuples(st.just("attempt"), st.booleans()),
    st.tuples(st.just("lost"), st.none()),
    st.tuples(st.just("operator"), st.sampled_from(["swap-done", "check", "reset-done", "\x00"])),
    st.tuples(st.just("port"), st.sampled_from(["port-busy", "link-lost", "port-missing", "?"])),
)


@given(st.lists(steps, max_size=30))
def test_any_sequence_gives_evidence_that_can_be_ranked(sequence: list[tuple[str, object]]) -> None:
    fold = ObservationFold()
    for kind, value in sequence:
        match kind:
            case "span":
                fold.span(value, 0)  # type: ignore[arg-type]
            case "line":
                fold.line_event(LineEvent(0, value))  # type: ignore[arg-type]
            case "begin":
                fold.stage_begin(str(value))
            case "end":
                fold.stage_end("sync", str(value), "")
            case "attempt":
                fold.attempt(bool(value))
            case "lost":
                fold.link_lost()
            case "operator":
                fold.operator(str(value), {"check": "K08", "outcome": "in-range"})
            case "port":
                fold.port_trouble(str(value))
    evidence = fold.evidence()
    ranked = rank(evidence)
    assert all(0 < cause.probability <= 0.99 for cause in ranked)
    next_check(evidence)
    wires(evidence, ranked)
