"""The main job from end to end: every staged fault, over a real port, must be seen and named.

This table is the only place that knows both the bench's faults and diagnosis' causes. What each fault must look like to
the host follows from how a UART idles and from AN3155 Rev 20; which cause comes first follows from the weights in
console/causes/catalogue.toml (reasoned weights: common practice, no source).
"""

from __future__ import annotations

import sys
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from console.bench.client import SimulatedBench
from console.commands.attempt import opened
from console.errors import Outcome, PortTrouble
from console.link.base import LinkSettings
from console.record.pcapng import CaptureFile
from console.snapshot import Fold, Snapshot
from console.summary import as_object

Attempt = Callable[..., Awaitable[Snapshot]]

# what silence leaves: no remote evidence parts these, so the commonest of them stands first
SILENT = {"wires-uncrossed"}
QUIET = "silence fits every fault between the two pins alike; only hands can part them"

# fault, how the run ends, what is observed, causes of which one must stand first, and why these
TABLE: list[tuple[str | None, Outcome, set[str], set[str], str]] = [
    (None, Outcome.OK, {"ack", "identified"}, set(), "nothing is wrong"),
    ("wires-uncrossed", Outcome.NO_ANSWER, {"silence"}, SILENT, "the commonest cause of silence"),
    ("no-common-ground", Outcome.NO_ANSWER, set(), SILENT | {"no-common-ground"}, "what passes is drawn by chance"),
    ("target-unpowered", Outcome.NO_ANSWER, {"low"}, {"target-unpowered"}, "a dead rail clamps the line"),
    ("supply-shorted", Outcome.PORT, {"vanish"}, {"supply-shorted"}, "the adapter browns out in the attempt"),
    ("boot-strap-wrong", Outcome.NO_ANSWER, {"silence"}, SILENT, QUIET),
    ("not-reset-into-loader", Outcome.NO_ANSWER, {"silence"}, SILENT, QUIET),
    ("wrong-port", Outcome.NO_ANSWER, {"silence"}, SILENT, QUIET),
    ("adapter-dead", Outcome.NO_ANSWER, {"silence"}, SILENT, "a dead driver behind a living port is silent"),
    ("baud-too-far", Outcome.NO_ANSWER, {"garbage"}, {"boot-strap-wrong", "baud-too-far", "no-common-ground"},
     "bytes of another rate come from a ROM that mismeasured and from an application alike"),
    ("frame-format-wrong", Outcome.REFUSED, {"ack", "nack"}, {"frame-format-wrong"}, "7F and 79 pass, 00 does not"),
    ("board-rx-open", Outcome.NO_ANSWER, {"silence"}, SILENT, QUIET),
    ("board-tx-open", Outcome.NO_ANSWER, {"silence"}, SILENT, QUIET),
    ("board-tx-held-low", Outcome.NO_ANSWER, {"low"}, {"target-unpowered", "board-tx-held-low"},
     "a clamp and a short hold the line alike"),
    ("board-rx-stuck", Outcome.NO_ANSWER, {"silence"}, SILENT, QUIET),
    ("tx-rx-shorted", Outcome.NO_ANSWER, {"echo"}, {"tx-rx-shorted"}, "our own bytes come back"),
    ("target-clock-dead", Outcome.NO_ANSWER, {"silence"}, SILENT, QUIET),
    ("target-dead", Outcome.NO_ANSWER, {"silence"}, SILENT, QUIET),
    ("target-missing", Outcome.NO_ANSWER, {"silence"}, SILENT, "the adapter's pull-up holds the line at idle"),
    ("readout-protected", Outcome.OK, {"ack", "read-refused"}, {"readout-protected"}, "AN3155 Rev 20 s.2"),
    ("application-running", Outcome.NO_ANSWER, {"readable-text"}, {"boot-strap-wrong", "application-running"},
     "the strap is why an application runs"),
    ("logic-level-mismatch", Outcome.NO_ANSWER, {"garbage"},
     {"logic-level-mismatch", "boot-strap-wrong", "no-common-ground", "baud-too-far"},
     "ones read as zeros now and then: garbage, as of another rate or without a reference"),
    ("intermittent-joint", Outcome.NO_ANSWER, {"silence"}, SILENT | {"intermittent-joint"},
     "one attempt cannot show that attempts differ"),
]  # fmt: skip


@pytest.fixture
def attempt(tmp_path: Path) -> Attempt:
    """Stage a fault on the simulated bench in its own process, run one handshake, keep the record."""

    async def one(fault: str | None, record: Path | None = None) -> Snapshot:
        async with SimulatedBench() as bench:
            await bench.start(fault=fault)
            settings = LinkSettings(port=bench.port)
            fold = Fold()
            async with opened(settings, fold=fold, record=str(record) if record else None) as session:
                await session.handshake()
            return fold.snapshot()

    return one


@pytest.mark.parametrize(("fault", "outcome", "seen", "first", "why"), TABLE, ids=[str(row[0]) for row in TABLE])
async def test_a_staged_fault_is_seen_and_named(
    fault: str | None, outcome: Outcome, seen: set[str], first: set[str], why: str, attempt: Attempt, tmp_path: Path
) -> None:
    record = tmp_path / "run.pcapng"
    snapshot = await attempt(fault, record)
    assert snapshot.outcome is outcome
    assert seen <= {observation.id for observation in snapshot.observations}
    if first:
        assert snapshot.causes[0].id in first, why
        assert snapshot.causes[0].why
    else:
        assert not snapshot.causes
    assert all(cause.probability < 1 for cause in snapshot.causes)

    # the record tells exactly the same story
    replayed = Fold()
    for event in CaptureFile(record).events():
        replayed.add(event)
    assert as_object(replayed.snapshot()) == as_object(snapshot)


async def test_a_good_board_says_who_it_is(attempt: Attempt) -> None:
    # AN2606 Rev 70 Table 226: product id 0x410 is the medium-density F10x
    snapshot = await attempt(None)
    assert snapshot.identity is not None
    assert snapshot.identity.product_id == 0x410
    assert snapshot.identity.names == ("F10x medium density",)
    assert [stage.name for stage in snapshot.stages] == ["listen", "sync", "identify"]
    # an answer needs both signals and a common reference; the supply may reach the board another way (common practice)
    assert {wire.id for wire in snapshot.wires if wire.state == "proven"} == {"host-tx", "host-rx", "ground"}


async def test_uncrossed_wires_are_a_thirty_second_swap(attempt: Attempt) -> None:
    snapshot = await attempt("wires-uncrossed")
    assert snapshot.next_check is not None
    assert snapshot.next_check.action == "swap-done"
    assert snapshot.next_check.minutes == 0.5
    assert {wire.id: wire.state for wire in snapshot.wires}["host-rx"] == "suspect"


async def test_a_port_that_vanishes_in_the_middle_is_one_event() -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="vanish")
        fold = Fold()
        async with opened(LinkSettings(port=bench.port), fold=fold) as session:
            outcome = await session.handshake(listen_s=5)
    snapshot = fold.snapshot()
    assert outcome is Outcome.PORT
    assert snapshot.problem is not None
    assert snapshot.problem.code == "link-lost"
    assert snapshot.problem.help


# a port that never comes says nothing of why: a cable without data wires is commoner than a dead clock
@pytest.mark.parametrize("fault", ["adapter-absent", "bridge-clock-dead"])
async def test_a_port_that_does_not_come_is_told_as_absent(fault: str, tmp_path: Path) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault=fault, link=tmp_path / "board.port")
        snapshot, code = await refused(bench.port)
        assert code == "port-missing"
        assert [seen.id for seen in snapshot.observations] == ["absent"]
        assert snapshot.causes[0].id in {"adapter-dead", "bridge-clock-dead"}
        assert (await bench.act("repair", step="R16" if fault == "bridge-clock-dead" else "R08"))["present"]
        await answered(bench.port)


async def test_a_port_that_another_program_holds_is_told_as_busy() -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="port-busy")
        snapshot, code = await refused(bench.port)
        assert code == "port-busy"
        assert snapshot.causes[0].id == "port-busy"
        await bench.act("port-state", state="free")
        await answered(bench.port)


@pytest.mark.skipif(sys.platform == "win32", reason="needs file modes, which this system does not have")
async def test_a_port_nobody_may_open_has_no_permission_left() -> None:
    # the administrator may open it all the same, so what open() says is tested with the link's own errors
    async with SimulatedBench() as bench:
        await bench.start(fault="port-permission")
        assert mode_of(bench.port) & 0o777 == 0
        await bench.act("port-state", state="free")
        assert mode_of(bench.port) & 0o600 == 0o600
        await answered(bench.port)


def mode_of(port: str) -> int:
    return Path(port).stat().st_mode


async def refused(port: str) -> tuple[Snapshot, str]:
    """What the fold makes of a port that cannot be opened, and the error's code."""
    fold = Fold()
    with pytest.raises(PortTrouble) as trouble:
        async with opened(LinkSettings(port=port), fold=fold):
            pass
    return fold.snapshot(), trouble.value.code


async def answered(port: str) -> None:
    async with opened(LinkSettings(port=port), fold=Fold()) as session:
        assert await session.handshake(listen_s=0.05) is Outcome.OK
