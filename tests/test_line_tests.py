"""Tests of the line over real ports: every staged situation, and the command line that runs them.

Like tests/test_faults.py, this table may know the bench's faults; what each must look like follows from how a UART
idles (16550 line status register) and from AN3155 Rev 20 s.1.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from console.bench.client import SimulatedBench
from console.commands.attempt import opened
from console.commands.ports import as_object as port_object
from console.commands.ports import describe
from console.errors import Outcome
from console.link.base import LinkSettings
from console.link.ports import PortInfo
from console.record.pcapng import CaptureFile
from console.screens.source import LiveSource
from console.session import line_tests
from console.session.line_tests import listen_at_rates, send_pattern, try_settings
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from console.summary import as_object
from protocols.readable import Listened
from tests.test_commands import check_contract, wakeline


async def run(
    bench: SimulatedBench, record: Path, *steps: tuple[str, Any], settings: LinkSettings | None = None
) -> tuple[Snapshot, list[Any]]:
    """Do `steps` (an action of the bench, or something with the session) on one port; the record must agree."""
    fold, results = Fold(), []
    async with opened(settings or LinkSettings(port=bench.port), fold=fold, record=str(record)) as session:
        for kind, step in steps:
            results.append(await bench.act(step) if kind == "act" else await step(session))
    replayed = Fold()
    for event in CaptureFile(record).events():
        replayed.add(event)
    assert as_object(replayed.snapshot()) == as_object(fold.snapshot())
    return fold.snapshot(), results


def pattern(test: str) -> tuple[str, Any]:
    return "do", lambda session: send_pattern(session, test)


async def handshake(session: Session) -> Outcome:
    return await session.handshake(0.0)


@pytest.mark.parametrize(
    ("fault", "actions", "test", "outcome", "told"),
    [
        (None, ("join-adapter",), line_tests.LOOP_BACK, Outcome.OK, "echoes"),
        ("target-unpowered", ("join-adapter",), line_tests.FAR_END, Outcome.OK, "echoes"),
        ("wires-uncrossed", (), line_tests.LOOP_BACK, Outcome.NO_ANSWER, "nothing"),  # forgot to join them
        ("tx-rx-shorted", (), line_tests.ECHO, Outcome.MISMATCH, None),
        ("wires-uncrossed", (), line_tests.ECHO, Outcome.OK, None),
        (None, (), line_tests.ECHO, Outcome.OK, None),  # a board's answer is no echo
        ("tx-rx-shorted", ("board-off",), line_tests.ECHO_ALONE, Outcome.OK, "gone"),
    ],
)
async def test_a_pattern_tells_what_is_joined(
    fault: str | None, actions: tuple[str, ...], test: str, outcome: Outcome, told: str | None, tmp_path: Path
) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault=fault)
        steps = [("act", action) for action in actions]
        snapshot, _ = await run(bench, tmp_path / "r.pcapng", *steps, pattern(test))
    assert snapshot.outcome is outcome
    assert dict(snapshot.findings[-1].values).get("outcome") == told
    assert {one.id for one in snapshot.observations} == (
        {"echo"} if fault == "tx-rx-shorted" and not actions else set()
    )


async def test_the_answer_of_a_loop_back_counts_and_the_board_is_tried_again(tmp_path: Path) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="wires-uncrossed")
        snapshot, _ = await run(
            bench,
            tmp_path / "r.pcapng",
            ("do", handshake),
            ("act", "join-adapter"),
            pattern(line_tests.LOOP_BACK),
            ("act", "part-adapter"),
            ("act", "swap-wires"),
            ("do", lambda session: _swapped(session)),
            ("do", handshake),
        )
    assert snapshot.outcome is Outcome.OK
    assert [cause.id for cause in snapshot.causes] == ["wires-uncrossed"]


async def _swapped(session: Session) -> None:
    session.operator("swap-done")


@pytest.mark.parametrize(("fault", "rate"), [("application-at-9600", 9600), ("application-running", 115200)])
async def test_a_running_application_is_heard_at_its_own_rate(fault: str, rate: int, tmp_path: Path) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault=fault)
        snapshot, (_, verdict) = await run(
            bench,
            tmp_path / "r.pcapng",
            ("do", handshake),
            ("do", lambda session: listen_at_rates(session, (57600, rate, 38400), seconds=0.3)),
        )
    assert verdict.listened is Listened.TEXT
    assert (verdict.best.baud, verdict.best.frame, verdict.sure) == (rate, "8N1", True)
    assert "tern:" in snapshot.findings[-1].message
    # text means that the application runs: because of the strap, because nobody reset, or simply so
    assert snapshot.causes[0].id in {"boot-strap-wrong", "application-running"}
    chances = {cause.id: cause.probability for cause in snapshot.causes}
    assert chances["application-running"] > 0.05


async def test_a_silent_board_is_silent_at_every_rate(tmp_path: Path) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="wires-uncrossed")
        snapshot, (verdict,) = await run(
            bench, tmp_path / "r.pcapng", ("do", lambda session: listen_at_rates(session, (9600, 57600), seconds=0.02))
        )
    assert verdict.listened is Listened.NOTHING
    assert dict(snapshot.findings[-1].values) == {"check": "K18", "outcome": "nothing"}


async def test_a_good_board_answers_at_the_first_settings_tried(tmp_path: Path) -> None:
    async with SimulatedBench() as bench:
        await bench.start()

        async def hands(words: str) -> bool:
            await bench.act("reset")
            return True

        snapshot, (outcome,) = await run(
            bench, tmp_path / "r.pcapng", ("do", lambda session: try_settings(session, hands, listen_s=0))
        )
    assert outcome is Outcome.OK
    assert snapshot.identity is not None
    assert snapshot.identity.product_id == 0x410  # AN2606 Rev 70 Table 226


async def test_a_wrong_frame_of_ours_is_found_by_trying_others(tmp_path: Path) -> None:
    # AN3155 Rev 20 s.1: the loader speaks 8E1; 8N1 gets the sync through and the first command refused
    from protocols.uart import EIGHT_N_ONE

    async with SimulatedBench() as bench:
        await bench.start()

        async def hands(words: str) -> bool:
            await bench.act("reset")
            return True

        snapshot, (outcome,) = await run(
            bench,
            tmp_path / "r.pcapng",
            ("do", lambda session: try_settings(session, hands, listen_s=0)),
            settings=LinkSettings(port=bench.port, frame=EIGHT_N_ONE),
        )
    assert outcome is Outcome.OK
    assert dict(snapshot.settings)["frame"] == "8E1"
    assert [cause.id for cause in snapshot.causes] == ["frame-format-wrong"]
    assert snapshot.attempt == 2


async def test_the_hands_of_a_scene_do_what_a_test_needs_and_put_it_back() -> None:
    source = LiveSource(LinkSettings(port=""), scene="tern-12", listen_s=0)

    async def never(words: str) -> bool:
        raise AssertionError(words)

    try:
        await source.start()
        told = []
        for test in (line_tests.LOOP_BACK, line_tests.FAR_END, line_tests.ECHO_ALONE, line_tests.SETTINGS):
            await source.line_test(test, never)
            told.append(dict(source.bridge.fold.snapshot().findings[-1].values).get("outcome"))
        assert told == ["echoes", "echoes", "gone", None]
        assert source.bridge.fold.snapshot().outcome is Outcome.OK
        assert source.bridge.fold.snapshot().identity is not None  # the board is wired again and answers
    finally:
        await source.close()


async def test_the_command_tells_a_loop_back_as_json_and_as_text(tmp_path: Path) -> None:
    record = tmp_path / "loop.pcapng"
    async with SimulatedBench() as bench:
        await bench.start()
        await bench.act("join-adapter")
        code, out, err = await wakeline("try", bench.port, "loop-back", "--count", "32", "--json", "--record", record)
        assert (code, err) == (0, "")
        found = check_contract(out)
        assert found["outcome"] == "ok"
        (finding,) = found["findings"]
        assert (finding["test"], finding["check"], finding["outcome"]) == ("loop-back", "K02", "echoes")
        assert (finding["sent"], finding["matched"]) == (32, 32)
        await bench.act("part-adapter")
        await bench.act("board-off")
        code, out, _ = await wakeline("try", bench.port, "far-end")
        assert code == 3
        assert "take the board off" in out
        assert "none of 64 random bytes came back" in out
    code, out, _ = await wakeline("replay", record, "--json")
    assert code == 0
    assert json.loads(out)["findings"] == found["findings"]


async def test_the_command_presses_the_simulated_reset_and_needs_hands_elsewhere() -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="not-reset-into-loader")
        code, out, err = await wakeline("try", bench.port, "settings", "--rates", "115200", "--json")
        assert (code, err) == (0, "")
        assert check_contract(out)["target"]["product_id"] == "0x410"  # AN2606 Rev 70 Table 226
    code, out, err = await wakeline("try", "no-such-port", "settings")
    assert (code, out) == (2, "")
    assert "reset-needed" in err
    assert "next:" in err


async def test_a_raw_connection_says_that_its_rate_cannot_be_changed() -> None:
    async with SimulatedBench() as bench:
        await bench.start(socket=True)
        code, out, err = await wakeline("try", bench.port, "rates", "--rates", "9600", "--json")
    assert (code, err) == (6, "")
    assert check_contract(out)["error"]["code"] == "port-unusable"


@pytest.mark.parametrize(
    "words",
    [
        ("try", "x"),
        ("try", "x", "loop"),
        ("try", "x", "loop-back", "--count", "7"),
        ("try", "x", "rates", "--rates", "9600,fast"),
        ("try", "x", "rates", "--seconds", "-1"),
    ],
)
async def test_wrong_words_are_usage(words: tuple[str, ...]) -> None:
    code, out, err = await wakeline(*words)
    assert (code, out) == (2, "")
    assert "next:" in err


def test_ports_tell_what_a_bridge_makes_of_a_rate() -> None:
    # AN205 Rev 0.3 Table 1: 74880 becomes 76800 on the fixed-list kind
    port = PortInfo("/dev/ttyUSB0", "bridge", 0x10C4, 0xEA60)
    lines = "\n".join(describe(port, 74880))
    assert "76800 (+2.56 %)" in lines
    assert "too far for 8E1" in lines
    rate = port_object(port, 115200)["line_rate"]
    assert isinstance(rate, dict)
    assert (rate["too_far"], rate["asked"]) == (False, 115200)
    unknown = PortInfo("/dev/ttyACM0", "other", 0x1209, 0x0001)  # 1209:0001 is a test id of the pid.codes list
    assert port_object(unknown, 115200)["line_rate"] is None
    assert "unknown" in "\n".join(describe(unknown, 115200))
    assert describe(PortInfo("/dev/ttyS0", "ttyS0"), 115200) == ["/dev/ttyS0  ttyS0  (not USB)"]
