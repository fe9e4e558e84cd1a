"""A task cut off in the middle of a command says what must not come next; one that ended between two does not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

import protocols
from console.errors import Outcome, PortTrouble, Stopped, WakelineError
from console.events import Event, Mark, MarkKind
from console.programming.stages import Work
from console.session.session import Session
from console.snapshot import Fold, ended
from console.tasks.catalogue import TASKS
from console.tasks.job import Job
from console.tasks.on_chip import CAUTIONS, CUT_OFF, CUT_SHORT, STILL_SILENT, OnChip, perform, stop
from protocols.an3155.target import Target
from protocols.errors import ProtocolError
from tests.chip_link import ChipLink, Spoiler, warp
from tests.console.programming.conftest import FLASH
from tests.console.programming.test_supply import CHIP, DATA, SMALL, Told, wish

Watch = Callable[[Session, "Front", Event], None]


class Front(Told):
    """Agrees to all, and can be asked for the work that began."""

    work: Work | None = None

    def began(self, work: Work) -> None:
        self.work = work


@pytest.fixture
def job(tmp_path: Path) -> Job:
    (tmp_path / "tern.bin").write_bytes(DATA)
    (tmp_path / "chip.toml").write_text(CHIP)
    return wish(str(tmp_path / "tern.bin"), None)


def run(job: Job, spoiler: Spoiler | None = None, watch: Watch | None = None) -> tuple[Exception | None, list[str]]:
    """How it ended, and the notes in the record."""
    target, front, seen = Target(SMALL), Front(), []
    target.memory.load(FLASH, bytes(SMALL.flash_size))
    link = ChipLink(target, spoiler)
    body = TASKS["program"](job)

    async def main() -> Exception | None:
        session = Session(link, protocols.load("an3155"), clock=link.clock, sinks=[seen.append])
        if watch is not None:
            session.add_sink(lambda event: watch(session, front, event))
        async with session:
            try:
                await perform(session, job, body, front, {})
            except (WakelineError, ProtocolError) as error:
                return error
            return None

    error = warp(main())
    return error, [str(e.fields["text"]) for e in seen if isinstance(e, Mark) and e.kind is MarkKind.NOTE]


def sent_before_erase(job: Job) -> int:
    """How many bytes go out until the code of the erase command is there."""
    count = 0

    def out(n: int, byte: int) -> int:
        nonlocal count
        if byte == 0x44 and not count:
            count = n
        return byte

    run(job, Spoiler(out=out))
    return count


def test_a_cable_that_goes_inside_an_erase_leaves_the_word(job: Job) -> None:
    # AN3155 Rev 20 s.3.8: 44 BB, then count, page, checksum: after the count's second byte
    error, notes = run(job, Spoiler(at_out={sent_before_erase(job) + 4: "vanish"}))
    assert isinstance(error, PortTrouble)
    assert notes[-1] == CUT_SHORT


def test_a_chip_that_falls_silent_leaves_the_word(job: Job) -> None:
    at = sent_before_erase(job)
    error, notes = run(job, Spoiler(into=lambda n, byte: byte, out=lambda n, byte: byte if n < at else None))
    assert isinstance(error, ProtocolError)
    assert notes[-1] == CUT_SHORT


@pytest.mark.parametrize("presses", [1, 2])
def test_a_stop_at_a_border_needs_no_word_and_one_at_once_does(job: Job, presses: int) -> None:
    def watch(session: Session, front: Front, event: Event) -> None:
        begins = isinstance(event, Mark) and event.kind is MarkKind.PROGRESS and event.fields["done"] == 0
        if begins and front.work is not None and not front.work.stop.wanted:
            for _ in range(presses):
                stop(session, front.work, running=True)

    error, notes = run(job, watch=watch)
    assert isinstance(error, Stopped)
    assert error.outcome is Outcome.STOPPED
    assert (CUT_SHORT in notes) is (presses == 2)


def test_a_good_run_needs_no_word(job: Job) -> None:
    error, notes = run(job)
    assert error is None
    assert CUT_SHORT not in notes


def test_a_board_that_reset_itself_is_resumed_once_it_is_reset_into_its_loader(job: Job) -> None:
    target, fold, front = Target(SMALL), Fold(), Front()
    target.memory.load(FLASH, bytes(SMALL.flash_size))
    at, straps = sent_before_erase(job) + 300, ["boot loader"]

    def out(n: int, byte: int) -> int | None:
        """From the reset on its own program runs, which hears nothing, until somebody sets the strap."""
        if n == at:
            target.reset()
            straps.append("program")
        return byte if straps[-1] == "boot loader" else None

    link = ChipLink(target, Spoiler(out=out))

    async def once(wish: Job) -> OnChip | None:
        async with Session(link, protocols.load("an3155"), clock=link.clock, sinks=[fold.add]) as session:
            try:
                return await perform(session, wish, TASKS["program"](wish), front, {})
            except ProtocolError:
                return None

    async def main() -> None:
        resumed = replace(job, resume=True)
        assert await once(job) is None
        problem = ended(fold.snapshot()).problem
        assert problem is not None
        assert "reset it into the boot loader (boot strap set), then go on with --resume" in problem.help
        assert set(CAUTIONS) <= set(front.lines)
        assert await once(resumed) is None
        assert front.lines[-1] == STILL_SILENT
        target.reset()
        straps.append("boot loader")
        assert await once(resumed) is not None
        assert target.memory.read(FLASH, len(DATA)) == DATA
        assert CUT_OFF not in front.lines

    warp(main())
