"""The main job from end to end: every staged fault, over a real port, must be seen and named.

This table is the only place that knows both the bench's faults and diagnosis' causes. What each fault must look like to
the host follows from how a UART idles and from AN3155 Rev 20; which cause comes first follows from the weights in
console/causes/catalogue.toml (reasoned weights: common practice, no source).
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from console.bench.client import SimulatedBench
from console.commands.attempt import opened
from console.errors import Outcome
from console.link.base import LinkSettings
from console.record.pcapng import CaptureFile
from console.snapshot import Fold, Snapshot
from console.summary import as_object

Attempt = Callable[..., Awaitable[Snapshot]]

# fault, how the run ends, what is observed, causes of which one must stand first
TABLE = [
    (None, Outcome.OK, {"ack", "identified"}, set()),
    ("wires-uncrossed", Outcome.NO_ANSWER, {"silence"}, {"wires-uncrossed"}),
    ("target-unpowered", Outcome.NO_ANSWER, {"low"}, {"target-unpowered"}),
    ("boot-strap-wrong", Outcome.NO_ANSWER, {"silence"}, {"wires-uncrossed"}),
    ("not-reset-into-loader", Outcome.NO_ANSWER, {"silence"}, {"wires-uncrossed"}),
    ("baud-too-far", Outcome.NO_ANSWER, {"garbage"}, {"no-common-ground", "baud-too-far"}),
    ("frame-format-wrong", Outcome.REFUSED, {"ack", "nack"}, {"frame-format-wrong"}),
    ("board-rx-open", Outcome.NO_ANSWER, {"silence"}, {"wires-uncrossed"}),
    ("board-tx-open", Outcome.NO_ANSWER, {"silence"}, {"wires-uncrossed"}),
    ("board-tx-held-low", Outcome.NO_ANSWER, {"low"}, {"target-unpowered", "board-tx-held-low"}),
    ("tx-rx-shorted", Outcome.NO_ANSWER, {"echo"}, {"tx-rx-shorted"}),
    ("readout-protected", Outcome.OK, {"ack", "read-refused"}, {"readout-protected"}),
    ("application-running", Outcome.NO_ANSWER, {"readable-text"}, {"boot-strap-wrong", "application-running"}),
]


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


@pytest.mark.parametrize(("fault", "outcome", "seen", "first"), TABLE, ids=[str(row[0]) for row in TABLE])
async def test_a_staged_fault_is_seen_and_named(
    fault: str | None, outcome: Outcome, seen: set[str], first: set[str], attempt: Attempt, tmp_path: Path
) -> None:
    record = tmp_path / "run.pcapng"
    snapshot = await attempt(fault, record)
    assert snapshot.outcome is outcome
    assert seen <= {observation.id for observation in snapshot.observations}
    if first:
        assert snapshot.causes[0].id in first
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
