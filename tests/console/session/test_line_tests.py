"""Tests of the line over a fake port: what is recorded, and that a record diagnoses as the session did."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import protocols
from console.errors import Outcome, PortTrouble
from console.events import Event, LineEvent, LineKind, Mark, MarkKind
from console.link.base import LineUse, LinkSettings, WakeLines
from console.record.pcapng import CaptureFile
from console.record.recorder import Recorder
from console.session import line_tests
from console.session.line_tests import listen_at_rates, send_pattern, settings_to_try, try_settings
from console.session.session import Session
from console.snapshot import Fold
from console.summary import as_object
from protocols.pattern import Came
from protocols.readable import Listened
from protocols.uart import EIGHT_E_ONE, EIGHT_N_ONE, Frame
from tests.fake_link import ANSWERS, FakeLink


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fake port answers in the next turn of the loop."""
    monkeypatch.setattr(line_tests, "BACK_WITHIN_S", 0.02)
    monkeypatch.setattr(line_tests, "EXTRA_WITHIN_S", 0.0)
    monkeypatch.setattr(line_tests, "SETTLE_S", 0.0)
    monkeypatch.setattr(line_tests, "QUIET_S", 0.0)


@pytest.fixture
def fold() -> Fold:
    return Fold()


def make(link: FakeLink, *sinks: Callable[[Event], None]) -> Session:
    return Session(link, protocols.load("an3155"), clock=link.clock, sinks=sinks)


def echoes(data: bytes) -> bytes:
    return data


def nothing(data: bytes) -> bytes:
    return b""


def spoils(data: bytes) -> bytes:
    return data[:-3]


def talks(data: bytes) -> bytes:
    return b"tern: cell 3.71 V\r\n" * 4


@pytest.mark.parametrize("test", [line_tests.LOOP_BACK, line_tests.FAR_END])
@pytest.mark.parametrize(
    ("answer", "came", "outcome", "told"),
    [
        (echoes, Came.SAME, Outcome.OK, "echoes"),
        (nothing, Came.NOTHING, Outcome.NO_ANSWER, "nothing"),
        (spoils, Came.DAMAGED, Outcome.MISMATCH, "damaged"),
        (talks, Came.OTHER, Outcome.MISMATCH, None),  # the board is still on: the check has no answer
    ],
)
async def test_a_loop_back_answers_its_check(
    answer: Any, came: Came, outcome: Outcome, told: str | None, test: str, fold: Fold
) -> None:
    async with make(FakeLink(answer), fold.add) as session:
        result = await send_pattern(session, test)
    assert result is not None
    assert result.came is came
    snapshot = fold.snapshot()
    assert snapshot.outcome is outcome
    assert snapshot.observations == ()  # nothing of it is about the board
    (found,) = snapshot.findings
    values = dict(found.values)
    check = {line_tests.LOOP_BACK: "K02", line_tests.FAR_END: "K03"}[test]
    assert (values.get("check"), values.get("outcome")) == ((check, told) if told else (None, None))


async def test_a_loop_back_that_is_silent_points_at_adapter_and_port_without_any_attempt(fold: Fold) -> None:
    async with make(FakeLink(), fold.add) as session:
        await send_pattern(session, line_tests.LOOP_BACK)
    assert {cause.id for cause in fold.snapshot().causes[:2]} == {"adapter-dead", "wrong-port"}
    assert fold.snapshot().next_check is not None


async def test_a_loop_back_that_works_clears_adapter_and_port(fold: Fold) -> None:
    link = FakeLink()
    async with make(link, fold.add) as session:
        await session.handshake(listen_s=0)
        before = {cause.id: cause.probability for cause in fold.snapshot().causes}
        link.answer = echoes
        await send_pattern(session, line_tests.LOOP_BACK)
        after = {cause.id: cause.probability for cause in fold.snapshot().causes}
    assert before["wrong-port"] > 0.05
    assert "adapter-dead" not in after
    assert after.get("wrong-port", 0) < before["wrong-port"] / 5
    assert fold.snapshot().next_check is not None
    assert fold.snapshot().next_check.id != "K02"  # type: ignore[union-attr]  # it has its answer


async def test_what_hands_do_to_the_wires_around_a_test_is_no_sign_of_a_fault(fold: Fold) -> None:
    link = FakeLink()
    async with make(link, fold.add) as session:
        await session.handshake(listen_s=0)
        link.answer = echoes
        await send_pattern(session, line_tests.LOOP_BACK)
        link.arrive(bytes(3))  # the jumper comes off, the board comes back
        assert link.receiver is not None
        link.receiver.line_event(LineEvent(link.clock.now_ns(), LineKind.BREAK, b"\x00"))
        before = fold.snapshot().causes
        assert before[0].id == "wires-uncrossed"  # as after the silence that the handshake met
        link.answer = nothing
        await session.handshake(listen_s=0)
    assert [one.id for one in fold.snapshot().observations] == ["silence"]


@pytest.mark.parametrize(
    ("noise", "answer", "came"),
    [
        (20, echoes, Came.SAME),
        (300, echoes, Came.OTHER),
        (20, spoils, Came.OTHER),
        (20, nothing, Came.OTHER),  # a port that receives is no dead adapter: the board is still on
        (1, nothing, Came.NOTHING),
        (1, spoils, Came.DAMAGED),
    ],
)
async def test_what_comes_before_the_pattern_is_no_damage(noise: int, answer: Any, came: Came, fold: Fold) -> None:
    """A joining wire chatters and is quiet again; a board that is still on does not stop."""
    link = FakeLink(answer)

    def sink(event: Event) -> None:
        if isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN:
            asyncio.get_running_loop().call_soon(link.arrive, b"\xa5" * noise)

    async with make(link, fold.add, sink) as session:
        result = await send_pattern(session, line_tests.LOOP_BACK)
    assert result is not None
    assert result.came is came
    assert ("check" in dict(fold.snapshot().findings[-1].values)) is (came is not Came.OTHER)


async def test_a_pattern_never_looks_like_an_answer_in_the_trace(fold: Fold) -> None:
    async with make(FakeLink(echoes), fold.add) as session:
        await send_pattern(session, line_tests.LOOP_BACK, random_bytes=lambda n: bytes([0x79] * n), count=8)
    assert {row.text for row in fold.trace.rows() if row.data} == {"test pattern", "received in a test of the line"}
    assert fold.snapshot().identity is None


@pytest.mark.parametrize(
    ("answer", "outcome", "seen"),
    [
        (echoes, Outcome.MISMATCH, {"echo"}),
        (nothing, Outcome.OK, set()),
        (lambda data: b"\x79", Outcome.OK, set()),  # AN3155 Rev 20 s.1: an acknowledge is no echo of random bytes
    ],
)
async def test_our_own_bytes_are_told_from_an_answer(answer: Any, outcome: Outcome, seen: set[str], fold: Fold) -> None:
    async with make(FakeLink(answer), fold.add) as session:
        await send_pattern(session, line_tests.ECHO)
    snapshot = fold.snapshot()
    assert snapshot.outcome is outcome
    assert {one.id for one in snapshot.observations} == seen
    assert bool(snapshot.causes) == bool(seen)
    if seen:
        assert snapshot.causes[0].id == "tx-rx-shorted"
    assert "reset the board" in snapshot.findings[0].message


@pytest.mark.parametrize(("answer", "outcome"), [(echoes, "stays"), (nothing, "gone")])
async def test_an_echo_without_the_board_answers_its_check(answer: Any, outcome: str, fold: Fold) -> None:
    async with make(FakeLink(answer), fold.add) as session:
        await send_pattern(session, line_tests.ECHO_ALONE)
    assert dict(fold.snapshot().findings[0].values)["outcome"] == outcome


class Air:
    """A fake port with a sender that is heard as text at one rate, and as line errors at all others."""

    def __init__(self, rate: int, text: bytes = b"tern: level 1.482 m\r\n" * 3) -> None:
        self.link = FakeLink()
        self.rate, self.text = rate, text

    def event(self, event: Event) -> None:
        """Sink: whenever listening begins, something arrives."""
        if isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN and self.text:
            loop = asyncio.get_running_loop()
            if self.link.settings.baud == self.rate:
                loop.call_soon(self.link.arrive, self.text)
            else:
                assert self.link.receiver is not None
                for _ in range(6):
                    bad = LineEvent(self.link.clock.now_ns(), LineKind.FRAMING, b"\xf8")
                    loop.call_soon(self.link.receiver.line_event, bad)


async def test_listening_finds_the_rate_of_a_program_and_puts_the_port_back(fold: Fold) -> None:
    air = Air(9600)
    async with make(air.link, fold.add, air.event) as session:
        verdict = await listen_at_rates(session, (115200, 9600, 57600), seconds=0.01)
        assert (air.link.settings.baud, air.link.settings.frame) == (115200, EIGHT_E_ONE)
    assert verdict is not None
    assert verdict.best is not None
    assert (verdict.listened, verdict.best.baud, verdict.sure) == (Listened.TEXT, 9600, True)
    assert not air.link.written  # nothing is sent
    snapshot = fold.snapshot()
    assert snapshot.outcome is Outcome.OK
    values = dict(snapshot.findings[-1].values)
    assert (values["check"], values["outcome"], values["rate"]) == ("K18", "text", 9600)
    assert [stage.name for stage in snapshot.stages] == ["at 115200", "at 9600", "at 57600"]
    assert snapshot.causes[0].id in ("boot-strap-wrong", "application-running")


@pytest.mark.parametrize(
    ("text", "rate", "listened", "outcome"),
    [(b"", 0, Listened.NOTHING, "nothing"), (b"\xa5\x5a\xc3" * 9, 9600, Listened.CLEAN, "bytes"),
     (b"\xa5\x5a", 1, Listened.BYTES, "bytes")],
)  # fmt: skip
async def test_what_is_no_text_is_told_as_what_it_is(
    text: bytes, rate: int, listened: Listened, outcome: str, fold: Fold
) -> None:
    air = Air(rate, text)
    async with make(air.link, fold.add, air.event) as session:
        verdict = await listen_at_rates(session, (115200, 9600), seconds=0.005)
    assert verdict is not None
    assert verdict.listened is listened
    assert dict(fold.snapshot().findings[-1].values)["outcome"] == outcome


async def test_what_the_former_rate_left_in_the_adapter_does_not_count(
    fold: Fold, monkeypatch: pytest.MonkeyPatch
) -> None:
    # AN232B-04: short answers wait up to 16 ms in the adapter
    monkeypatch.setattr(line_tests, "SETTLE_S", 0.03)
    air = Air(9600)
    async with make(air.link, fold.add, air.event) as session:
        verdict = await listen_at_rates(session, (9600,), seconds=0.0)  # all comes at once
    assert verdict is not None
    assert verdict.listened is Listened.NOTHING


async def test_hostile_text_reaches_no_finding_unescaped(fold: Fold) -> None:
    air = Air(9600, b"\x1b]0;owned\x07" + b"[red]tern[/]" * 9)
    async with make(air.link, fold.add, air.event) as session:
        await listen_at_rates(session, (9600,), seconds=0.005)
    message = fold.snapshot().findings[-1].message
    assert "owned" in message
    assert "\x1b" not in message
    assert "\x07" not in message


async def test_a_rate_the_port_does_not_take_is_left_out(fold: Fold) -> None:
    air = Air(9600)
    air.link.not_taken = {(921600, EIGHT_N_ONE)}
    async with make(air.link, fold.add, air.event) as session:
        verdict = await listen_at_rates(session, (921600, 9600), seconds=0.005)
    assert verdict is not None
    assert verdict.listened is Listened.TEXT
    assert "does not take" in fold.snapshot().findings[0].message


async def test_a_port_that_takes_no_rate_at_all_is_trouble(fold: Fold) -> None:
    link = FakeLink()
    link.not_taken = {(9600, EIGHT_N_ONE)}
    async with make(link, fold.add) as session:
        with pytest.raises(PortTrouble) as refused:
            await listen_at_rates(session, (9600,), seconds=0.005)
    assert refused.value.code == "port-unusable"
    assert fold.snapshot().outcome is Outcome.PORT


async def test_listening_can_be_stopped_and_the_port_is_put_back(fold: Fold) -> None:
    link = FakeLink()
    async with make(link, fold.add) as session:
        begun = asyncio.Event()

        def sink(event: Event) -> None:
            if isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN:
                begun.set()

        session.add_sink(sink)
        running = asyncio.ensure_future(listen_at_rates(session, (9600, 4800), seconds=30))
        await begun.wait()
        session.cancel()
        assert await running is None
        assert link.settings.baud == 115200
        assert not session.busy
    assert fold.snapshot().outcome is Outcome.STOPPED


async def test_losing_the_link_while_listening_is_port_trouble(fold: Fold) -> None:
    link = FakeLink()
    async with make(link, fold.add) as session:
        begun = asyncio.Event()
        session.add_sink(lambda event: begun.set() if getattr(event, "kind", None) is MarkKind.STAGE_BEGIN else None)
        running = asyncio.ensure_future(listen_at_rates(session, (9600,), seconds=30))
        await begun.wait()
        link.lose()
        assert await running is None
    assert fold.snapshot().outcome is Outcome.PORT
    assert fold.snapshot().causes[0].id == "link-lost"  # the board had nothing to do with it


def test_settings_change_one_thing_at_a_time() -> None:
    tries = settings_to_try(115200, EIGHT_E_ONE)
    assert tries[0] == (115200, EIGHT_E_ONE)
    assert all((rate != 115200) + (frame != EIGHT_E_ONE) == 1 for rate, frame in tries[1:])
    assert {str(frame) for _, frame in tries} == {"8E1", "8N1", "8O1"}
    assert min(rate for rate, _ in tries) >= 1200  # AN2606 Rev 70 s.4.5: the loader's slowest rate


def good_at(link: FakeLink, baud: int, frame: Frame, otherwise: bytes = b"") -> None:
    """The board answers well at these settings; elsewhere 7F gets `otherwise` and all else is refused."""

    def answer(data: bytes) -> bytes:
        if (link.settings.baud, link.settings.frame) == (baud, frame):
            return ANSWERS.get(data, b"")
        return otherwise if data == b"\x7f" else b"\x1f" if otherwise else b""

    link.answer = answer


async def always(words: str) -> bool:
    return True


@pytest.mark.parametrize(
    ("baud", "frame", "otherwise", "cause"),
    [
        (115200, EIGHT_N_ONE, b"\x79", "frame-format-wrong"),  # acknowledged and refused: the parity's signature
        (115200, EIGHT_N_ONE, b"", "frame-format-wrong"),
        (38400, EIGHT_E_ONE, b"", "baud-too-far"),
    ],
)
async def test_settings_that_work_are_found_and_say_what_it_was(
    baud: int, frame: Frame, otherwise: bytes, cause: str, fold: Fold
) -> None:
    link = FakeLink()
    good_at(link, baud, frame, otherwise)
    asked: list[str] = []

    async def hands(words: str) -> bool:
        asked.append(words)
        return True

    async with make(link, fold.add) as session:
        tries = ((115200, EIGHT_E_ONE), (baud, frame))
        assert await try_settings(session, hands, tries, listen_s=0) is Outcome.OK
        assert (link.settings.baud, link.settings.frame) == (baud, frame)  # it stays where the board answers
    snapshot = fold.snapshot()
    assert snapshot.outcome is Outcome.OK
    assert [one.id for one in snapshot.causes] == [cause]
    # a wrong sync spoils the measurement of the rate until the next reset (AN3155 Rev 20 s.1)
    assert len(asked) == snapshot.attempt
    assert all("reset" in words for words in asked)


async def test_settings_that_all_fail_answer_the_check_and_put_the_port_back(fold: Fold) -> None:
    link = FakeLink(lambda data: b"\x79" if data == b"\x7f" else b"\x1f")
    async with make(link, fold.add) as session:
        assert await try_settings(session, always, ((115200, EIGHT_E_ONE), (57600, EIGHT_E_ONE)), listen_s=0) is (
            Outcome.REFUSED
        )
        assert link.settings.baud == 115200
    snapshot = fold.snapshot()
    assert dict(snapshot.findings[-1].values) == {"check": "K17", "outcome": "silent"}
    assert snapshot.next_check is None or snapshot.next_check.id != "K17"


async def test_who_does_not_want_to_reset_stops_the_tries(fold: Fold) -> None:
    async def never(words: str) -> bool:
        return False

    link = FakeLink()
    async with make(link, fold.add) as session:
        assert await try_settings(session, never) is Outcome.STOPPED
    assert not link.written
    assert fold.snapshot().outcome is Outcome.STOPPED


async def test_wired_reset_lines_need_no_hands(fold: Fold) -> None:
    lines: list[tuple[bool | None, bool | None]] = []
    wake = WakeLines(reset=LineUse("dtr"), hold_s=0, settle_s=0)

    class Wired(FakeLink):
        async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
            lines.append((dtr, rts))
            return True

    link = Wired(lambda data: ANSWERS.get(data, b""), LinkSettings("fake", wake=wake))

    async def never(words: str) -> bool:
        raise AssertionError(words)

    async with make(link, fold.add) as session:
        assert await try_settings(session, never, listen_s=0) is Outcome.OK
    assert (True, None) in lines


async def test_an_identified_board_stays_identified_while_the_rate_changes(fold: Fold) -> None:
    link = FakeLink(lambda data: ANSWERS.get(data, b""))
    async with make(link, fold.add) as session:
        await session.handshake(listen_s=0)
        await listen_at_rates(session, (9600,), seconds=0.0)
    identity = fold.snapshot().identity
    assert identity is not None
    assert identity.product_id == 0x410  # AN2606 Rev 70 Table 226
    assert fold.snapshot().causes == ()


async def test_a_record_diagnoses_as_the_session_did(tmp_path: Path, fold: Fold) -> None:
    air = Air(9600)
    path = tmp_path / "tests.pcapng"
    recorder = Recorder(path, port="fake", baud=115200, trouble=lambda error: pytest.fail(str(error)))
    async with make(air.link, fold.add, recorder.event) as session:
        await session.handshake(listen_s=0)
        air.link.answer = echoes
        await send_pattern(session, line_tests.LOOP_BACK)
        await send_pattern(session, line_tests.ECHO)
        air.link.answer = nothing
        session.add_sink(air.event)
        await listen_at_rates(session, (9600, 57600), seconds=0.01)
        session.remove_sink(air.event)
        await try_settings(session, always, ((115200, EIGHT_E_ONE), (57600, EIGHT_E_ONE)), listen_s=0)
    recorder.close()
    replayed = Fold()
    for event in CaptureFile(path).events():
        replayed.add(event)
    assert as_object(replayed.snapshot()) == as_object(fold.snapshot())
    assert len(replayed.snapshot().findings) >= 6


async def test_a_session_after_a_loss_goes_on_counting_and_keeps_the_swap(fold: Fold) -> None:
    first = make(FakeLink(), fold.add)
    async with first:
        await first.handshake(listen_s=0)
        first.operator("swap-done")
    link = FakeLink(settings=LinkSettings("fake"))
    again = Session(link, protocols.load("an3155"), clock=link.clock, sinks=[fold.add], after=first)
    async with again:
        await again.handshake(listen_s=0)
    assert (fold.snapshot().attempt, fold.snapshot().wires_swapped) == (2, True)
