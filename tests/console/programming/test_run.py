"""Whole programming runs against the simulated chip, in virtual time, with everything that can go wrong on the way.

What must hold in every case: a run that says that it succeeded has the image in flash, byte for byte.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pytest

import protocols
from console.errors import Mismatch, Outcome, Stopped, TargetTrouble, WakelineError
from console.events import Chunk, Event, Mark, MarkKind
from console.images.image import Image
from console.programming.chips import Chip, Region
from console.programming.outlook import outlook
from console.programming.plan import Options
from console.programming.planner import erase_plan, make_plan, touched_pages
from console.programming.run import (
    announce,
    carry_out,
    compared,
    lift_protection,
    offered,
    protected,
    read_pages,
    recorded,
    start,
    wake,
)
from console.programming.stages import Work
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from console.summary import as_object, proof_lines
from protocols.an3155.target import COMMANDS_EXTENDED, Range, Target
from protocols.an3155.target import Chip as Simulated
from protocols.errors import ProtocolError
from protocols.programmer import Programmer
from tests.chip_link import ChipLink, Spoiler, warp
from tests.console.programming.conftest import FLASH, make_image

OLD = bytes((n * 11 + 5) & 0xFF for n in range(128 * 1024))


@dataclass
class Result:
    """How a run ended and what the chip holds then."""

    snapshot: Snapshot
    events: list[Event]
    target: Target
    error: Exception | None = None
    work: Work | None = None
    link: ChipLink | None = None

    def flash(self, image: Image) -> bytes:
        return self.target.memory.read(image.start, image.size)


@dataclass
class Bench:
    """One board, programmed as often as a test likes."""

    chip: Chip
    target: Target = field(default_factory=lambda: Target(Simulated(loader_version=0x31)))
    quick: bool = False
    change: Callable[[Programmer], Programmer] = lambda programmer: programmer

    def program(
        self,
        image: Image,
        options: Options | None = None,
        spoiler: Spoiler | None = None,
        resume: bool = False,
        then: Callable[[Session, Work], object] | None = None,
        watch: Callable[[Event, Work], None] | None = None,
        consent: int | None = None,
        sessions: list[Session] | None = None,
    ) -> Result:
        return warp(self._program(image, options or Options(), spoiler, resume, then, watch, consent, sessions))

    async def _program(
        self,
        image: Image,
        options: Options,
        spoiler: Spoiler | None,
        resume: bool,
        then: Callable[[Session, Work], object] | None,
        watch: Callable[[Event, Work], None] | None,
        consent: int | None,
        sessions: list[Session] | None,
    ) -> Result:
        fold, events = Fold(), []
        link = ChipLink(self.target, spoiler)
        result = Result(fold.snapshot(), events, self.target, link=link)
        session = Session(link, protocols.load("an3155"), clock=link.clock, sinks=[fold.add, events.append])
        if sessions is not None:
            sessions.append(session)
        try:
            async with session:
                with recorded(session):
                    if await wake(session, listen_s=0, realign=resume) is Outcome.OK:
                        programmer = self.change(offered(session))
                        work = result.work = Work(programmer, erase_plan(self.chip, (), programmer), quick=self.quick)
                        if watch is not None:
                            session.add_sink(lambda event: watch(event, work))
                        if session.identity is not None and session.identity.readout_protected:
                            if consent is None:
                                raise protected(session.identity)
                            await lift_protection(session, work, consent)
                        current = {}
                        if options.needs_content:
                            pages = touched_pages(image, self.chip, options.ranges)
                            current = await read_pages(session, work, pages)
                        work.plan = make_plan(image, self.chip, programmer, options, current)
                        announce(session, "program", work.plan, outlook(work.plan, programmer, 11 / 115200))
                        await carry_out(session, work)
                        if then is not None:
                            await then(session, work)  # type: ignore[misc]
        except (WakelineError, ProtocolError) as error:
            result.error = error
        result.snapshot = fold.snapshot()
        return result


@pytest.fixture
def board(f10x: Chip) -> Bench:
    made = Bench(f10x)
    made.target.memory.load(FLASH, OLD)
    return made


def marks(result: Result, kind: MarkKind) -> list[Mark]:
    return [event for event in result.events if isinstance(event, Mark) and event.kind is kind]


def check_replay(result: Result) -> None:
    """The record tells the same story."""
    again = Fold()
    for event in result.events:
        again.add(event)
    assert as_object(again.snapshot()) == as_object(result.snapshot)


def test_a_good_board_holds_the_image_and_the_proof_says_so(board: Bench) -> None:
    image = make_image(5000)
    result = board.program(image)
    assert result.error is None
    assert result.flash(image) == image.segments[0].data
    assert result.target.memory.read(FLASH + 5120, 1024) == OLD[5120:6144]
    assert result.snapshot.outcome is Outcome.OK
    state = result.snapshot.programming
    assert state is not None
    assert state.complete
    assert state.proven == "08000000-08001387"  # 5000 bytes: 0x1388
    assert (state.repeated, state.repaired) == (0, 0)
    assert [s.name for s in result.snapshot.stages][3:] == ["erase", "write", "verify", "seal", "verify"]
    check_replay(result)


def test_it_takes_no_longer_than_was_said(board: Bench) -> None:
    image = make_image(20 * 1024)
    result = board.program(image)
    assert result.snapshot.programming is not None
    said = result.snapshot.programming.expected_s
    took = sum(
        stage.elapsed_s for stage in result.snapshot.stages if stage.name in ("erase", "write", "verify", "seal")
    )
    assert said is not None
    assert 0.7 * said < took < said


def test_the_block_the_chip_starts_from_is_written_when_all_else_is_proven(board: Bench) -> None:
    image = make_image(3000)
    order: list[tuple[str, bool]] = []

    def watch(event: Event, work: Work) -> None:
        if isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN:
            order.append((str(event.fields["name"]), board.target.memory.read(FLASH, 256) == b"\xff" * 256))

    assert board.program(image, watch=watch).error is None
    assert order == [("erase", False), ("write", True), ("verify", True), ("seal", True), ("verify", False)]


def test_progress_is_the_same_live_and_in_replay(board: Bench) -> None:
    result = board.program(make_image(16 * 1024))
    told = marks(result, MarkKind.PROGRESS)
    assert {(mark.fields["done"], mark.fields["total"]) for mark in told} >= {(0, 16384), (16384 - 256, 16384 - 256)}
    fold, seen = Fold(), []
    for event in result.events:
        fold.add(event)
        if not (isinstance(event, Mark) and event.kind is MarkKind.PROGRESS):
            continue
        state = fold.snapshot().programming
        if state is not None and state.stage == "write" and state.done:
            seen.append((state.done, state.rate, state.eta_s))
    rates = {round(rate) for _, rate, _ in seen}
    # AN3155 Rev 20 s.3.6: 268 characters of 11 bits a block, and 64 words of 105 us (DS5319 Rev 20 Table 28)
    assert all(abs(rate / (256 / (268 * 11 / 115200 + 64 * 0.000105)) - 1) < 0.02 for rate in rates)
    assert [eta for *_, eta in seen] == sorted((eta for *_, eta in seen), reverse=True)


FAULTS: dict[str, Spoiler] = {
    "a byte lost on the way to the chip": Spoiler(out=lambda n, b: None if n == 700 else b),
    "a byte spoiled on the way to the chip": Spoiler(out=lambda n, b: b ^ 4 if n == 900 else b),
    "every 997th byte to the chip lost": Spoiler(out=lambda n, b: None if n % 997 == 996 else b),
    "every 1009th byte to the chip spoiled": Spoiler(out=lambda n, b: b ^ 0x40 if n % 1009 == 1008 else b),
    "an answer lost": Spoiler(into=lambda n, b: None if n == 70 else b),
    "every 601st byte of the chip lost": Spoiler(into=lambda n, b: None if n > 60 and n % 601 == 0 else b),
    "answers spoiled": Spoiler(into=lambda n, b: b ^ 1 if n > 60 and n % 301 == 0 else b),
    "an acknowledge that reads as a refusal": Spoiler(into=lambda n, b: 0x1F if n in (66, 71, 80) else b),
    "the chip was reset in the middle": Spoiler(at_out={1200: "reset"}),
    "the chip lost power in the middle": Spoiler(at_out={1200: "power"}),
    "the chip was deaf for a second": Spoiler(at_out={1500: "stall"}),
    "a late acknowledge": Spoiler(at_out={1000: "late", 1400: "late"}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_what_passes_is_met_and_proven(fault: str, board: Bench) -> None:
    image = make_image(6000)
    result = board.program(image, spoiler=FAULTS[fault])
    assert result.error is None, fault
    assert result.flash(image) == image.segments[0].data
    assert result.snapshot.outcome is Outcome.OK
    assert result.snapshot.programming is not None
    assert result.snapshot.programming.complete
    check_replay(result)


@pytest.mark.parametrize("at", [300, 1000, 3000, 6000, 12000])
def test_a_run_that_was_cut_is_told_exactly_and_can_be_resumed(at: int, board: Bench) -> None:
    image = make_image(6000)
    result = board.program(image, spoiler=Spoiler(at_out={at: "vanish"}))
    snapshot = result.snapshot
    if result.error is None:  # it was done by then
        assert at == 12000
        return
    assert snapshot.outcome is Outcome.PORT
    state = snapshot.programming
    assert state is not None
    assert not state.complete
    for word in state.proven.split():
        first, last = (int(end, 16) for end in word.split("-"))
        held = board.target.memory.read(first, last - first + 1)
        assert held == image.read(first, last - first + 1)
    check_replay(result)

    again = board.program(image, Options(changed_only=True), resume=True)
    assert again.error is None
    assert again.flash(image) == image.segments[0].data
    assert again.snapshot.programming is not None
    assert again.snapshot.programming.complete
    assert again.snapshot.outcome is Outcome.OK


def test_a_resume_erases_no_page_that_holds_proven_blocks(board: Bench) -> None:
    image = make_image(8 * 1024)
    board.program(image, spoiler=Spoiler(at_out={5000: "vanish"}))
    held = board.target.memory.read(FLASH, image.size)
    data = image.segments[0].data
    right = {n // 1024 for n in range(0, len(data), 1024) if held[n : n + 1024] == data[n : n + 1024]}
    assert right
    again = board.program(image, Options(changed_only=True), resume=True)
    assert again.error is None
    assert again.work is not None
    assert not right & again.work.ledger.erased
    assert again.work.plan.bytes_to_write < image.size


def test_a_cell_that_does_not_take_a_bit_is_named_and_never_called_good(board: Bench) -> None:
    program = board.target.memory.program

    def worn(address: int, data: bytes) -> None:
        program(address, data)
        if address <= FLASH + 1000 < address + len(data):
            board.target.memory.load(FLASH + 1000, bytes((board.target.memory.read(FLASH + 1000, 1)[0] | 0x10,)))

    board.target.memory.program = worn  # type: ignore[method-assign]
    image = make_image(3000)
    wanted = bytearray(image.segments[0].data)
    wanted[1000] &= ~0x10
    result = board.program(Image("x", "raw", (type(image.segments[0])(FLASH, bytes(wanted)),)))
    assert isinstance(result.error, Mismatch)
    assert "0x080003E8, bit 4: expected CB, got DB" in result.error.message
    assert "stuck-bit" in result.error.note
    assert result.snapshot.outcome is Outcome.MISMATCH
    assert board.target.memory.read(FLASH, 4) == b"\xff" * 4  # and it does not start
    check_replay(result)


def test_write_protection_that_acknowledges_everything_is_found(board: Bench) -> None:
    # AN3155 Rev 20 s.3.6, s.3.7: neither a write nor an erase of a protected sector is refused
    board.target.memory.locked = {0}
    result = board.program(make_image(3000))
    assert isinstance(result.error, Mismatch)
    assert "write-ignored" in result.error.note
    assert "protection" in result.error.note


def test_a_protected_chip_is_explained_and_lifted_only_with_its_id(f10x: Chip) -> None:
    image = make_image(3000)
    board = Bench(f10x, Target(Simulated(loader_version=0x31, readout_protected=True, second_nack=True)))
    board.target.memory.load(FLASH, OLD)
    refused = board.program(image)
    assert isinstance(refused.error, TargetTrouble)
    assert refused.snapshot.outcome is Outcome.REFUSED
    assert "--lift-protection 0x410" in refused.error.help
    assert "erases" in refused.error.caution
    wrong = board.program(image, consent=0x412)
    assert isinstance(wrong.error, TargetTrouble)
    assert board.target.memory.read(FLASH, len(OLD)) == OLD
    lifted = board.program(image, consent=0x410)
    assert lifted.error is None
    assert lifted.flash(image) == image.segments[0].data
    assert lifted.snapshot.outcome is Outcome.OK


def test_a_stop_ends_between_blocks_and_says_what_is_on_the_chip(board: Bench) -> None:
    image = make_image(6000)

    def watch(event: Event, work: Work) -> None:
        if isinstance(event, Mark) and event.kind is MarkKind.PROGRESS and event.fields["done"] == 2048:
            work.stop.wanted = True

    result = board.program(image, watch=watch)
    assert isinstance(result.error, Stopped)
    assert result.snapshot.outcome is Outcome.STOPPED
    assert result.snapshot.problem is not None
    assert "--resume" in result.snapshot.problem.help
    state = result.snapshot.programming
    assert state is not None
    assert state.erased == "0-5"
    again = board.program(image, Options(changed_only=True), resume=True)
    assert again.error is None


def erase(board: Bench, pages: tuple[int, ...], watch: Callable[[Event, Work], None] | None = None) -> Result:
    """Only an erase, as `program` without an image."""
    fold, events = Fold(), []
    link = ChipLink(board.target)
    result = Result(fold.snapshot(), events, board.target, link=link)

    async def run() -> None:
        session = Session(link, protocols.load("an3155"), clock=link.clock, sinks=[fold.add, events.append])
        async with session:
            with recorded(session):
                assert await wake(session, listen_s=0) is Outcome.OK
                programmer = offered(session)
                work = result.work = Work(programmer, erase_plan(board.chip, pages, programmer))
                if watch is not None:
                    session.add_sink(lambda event: watch(event, work))
                announce(session, "erase", work.plan)
                await carry_out(session, work)

    try:
        warp(run())
    except (WakelineError, ProtocolError) as error:
        result.error = error
    result.snapshot = fold.snapshot()
    return result


def test_an_erase_that_a_locked_sector_ignores_is_told_as_that_and_once(board: Bench) -> None:
    # AN3155 Rev 20 s.3.7: it is acknowledged all the same; sectors of 4 KiB are locked together (the target's)
    board.target.memory.locked = {1}
    result = erase(board, tuple(range(8)))
    assert isinstance(result.error, Mismatch)
    assert "not erased, although the erase was acknowledged: 0x08001000" in result.error.message
    assert "write-protected" in result.error.note
    assert result.error.help.startswith("do not use this board; its sectors may be write-protected")
    state = result.snapshot.programming
    assert state is not None
    assert (state.erased, state.resisting, state.erasing) == ("0-3", "4-7", "")
    assert state.proven == "08000000-08000FFF"
    notes = [str(mark.fields["text"]) for mark in marks(result, MarkKind.NOTE)]
    (told,) = [note for note in notes if note.startswith("differs")]
    assert "and so do 15 blocks up to 0x08001FFF" in told
    lines = proof_lines(state)
    assert "  erase acknowledged, and yet not erased: 4-7" in lines
    assert "  erase acknowledged: 0-3" in lines
    check_replay(result)


def test_a_board_whose_power_fails_in_the_erase_is_told_which_pages_may_be_half_erased(board: Bench) -> None:
    def watch(event: Event, work: Work) -> None:
        if isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN and event.fields["name"] == "erase":
            board.target.memory.erase_part = lambda part: None  # type: ignore[method-assign]
            board.target.receive = lambda byte, *, parity_ok=True: ()  # type: ignore[method-assign]

    result = erase(board, (4, 5), watch)
    assert isinstance(result.error, ProtocolError)
    state = result.snapshot.programming
    assert state is not None
    assert (state.erasing, state.erased) == ("4-5", "")
    assert "  erase sent and not acknowledged, perhaps half done: 4-5" in proof_lines(state)


def test_a_stop_at_once_in_the_erase_names_its_pages(board: Bench) -> None:
    image = make_image(5000)

    def watch(event: Event, work: Work) -> None:
        if isinstance(event, Chunk) and event.direction == "out" and event.data[0] == 0x43:  # Erase, s.3.7
            asyncio.get_running_loop().call_soon(sessions[0].cancel)

    sessions: list[Session] = []
    result = board.program(image, watch=watch, sessions=sessions)
    assert isinstance(result.error, Stopped)
    state = result.snapshot.programming
    assert state is not None
    assert (state.erasing, state.erased) == ("0-4", "")


def test_blocks_written_are_not_forgotten_once_another_is_proven(board: Bench) -> None:
    def watch(event: Event, work: Work) -> None:
        if isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN and event.fields["name"] == "verify":
            seen.append(1)
        if isinstance(event, Mark) and event.kind is MarkKind.PROGRESS and seen and event.fields["done"] == 1024:
            work.stop.wanted = True

    seen: list[int] = []
    result = board.program(make_image(6000), watch=watch)
    assert isinstance(result.error, Stopped)
    state = result.snapshot.programming
    assert state is not None
    assert state.proven == "08000100-080005FF"
    assert state.written == "08000600-0800176F"  # 6000 bytes: 0x1770


def test_pages_that_are_mended_twice_are_counted_once(board: Bench) -> None:
    board.target.memory.locked = {0}  # 4 KiB: all of the image's 3 pages
    result = board.program(make_image(3000))
    state = result.snapshot.programming
    assert state is not None
    assert state.repaired == 3
    assert "units erased and written again: 3" in "\n".join(proof_lines(state))
    assert state.resisting == "0-2"


def test_what_no_resume_can_cure_offers_none(board: Bench) -> None:
    # AN3155 Rev 20 s.3.5: Go to an address that is no memory is refused; the program is there all the same
    result = board.program(make_image(3000), then=lambda session, work: start(session, work, 0x3000_0000, 0))
    assert isinstance(result.error, TargetTrouble)
    assert "start a program at 0x30000000" in result.error.message
    assert result.snapshot.problem is not None
    assert "--resume" not in result.snapshot.problem.help
    state = result.snapshot.programming
    assert state is not None
    assert state.complete

    larger = Bench(replace(board.chip, flash_size=2 * board.chip.flash_size, pages=(Region(FLASH, 256, 1024),)))
    result = erase(larger, (127, 128))
    assert isinstance(result.error, TargetTrouble)
    assert "refuses to" in result.error.message
    assert "127-128" in result.error.message or "0x08020000" in result.error.message
    assert result.snapshot.outcome is Outcome.REFUSED
    assert result.snapshot.problem is not None
    assert "full type" in result.snapshot.problem.help
    assert "--resume" not in result.snapshot.problem.help


def test_an_image_behind_the_vector_table_is_started_by_no_cut(board: Bench) -> None:
    # DDI 0403: the core begins at word 1 of the flash; of the page that is kept it is written last of all
    image = make_image(3000, start=FLASH + 0x200)
    blank: list[bool] = []

    def watch(event: Event, work: Work) -> None:
        if isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN:
            blank.append(board.target.memory.read(FLASH, 256) == b"\xff" * 256)

    assert board.program(image, Options(keep_neighbours=True), watch=watch).error is None
    assert blank[-5:] == [False, True, True, True, False]
    assert board.target.memory.read(FLASH, 0x200) == OLD[:0x200]


def test_neighbours_are_kept_when_asked(board: Bench) -> None:
    image = make_image(700, start=FLASH + 0x500)
    result = board.program(image, Options(keep_neighbours=True))
    assert result.error is None
    now = board.target.memory.read(FLASH, len(OLD))
    assert now == OLD[:0x500] + image.segments[0].data + OLD[0x500 + 700 :]


def test_an_image_that_is_there_already_costs_no_erase_and_no_write(board: Bench) -> None:
    image = make_image(3000)
    assert board.program(image).error is None
    again = board.program(image, Options(changed_only=True))
    assert again.error is None
    assert again.work is not None
    assert not again.work.plan.erases
    assert not again.work.plan.all_writes
    assert again.snapshot.programming is not None
    assert again.snapshot.programming.complete


def test_compare_changes_nothing_and_tells_what_differs(board: Bench) -> None:
    image = make_image(3000)
    assert board.program(image).error is None
    board.target.memory.load(FLASH + 1500, b"\0")

    async def then(session: Session, work: Work) -> None:
        work.plan = make_plan(image, work.plan.chip, work.programmer)
        found = await compared(session, work)
        assert [difference.address for difference in found] == [FLASH + 1500]

    assert board.program(make_image(100, FLASH + 0x8000), then=then).error is None


def test_a_started_program_is_heard(board: Bench) -> None:
    heard: list[bytes] = []

    async def then(session: Session, work: Work) -> None:
        heard.append(await start(session, work, FLASH, 0.5))

    assert board.program(make_image(1000), then=then).error is None
    assert board.target.running_application
    assert heard == [b""]


def test_what_was_right_before_is_read_again_when_the_line_spoiled_something_since(board: Bench) -> None:
    image = make_image(6000)
    assert board.program(image).error is None
    board.target.memory.erase(Range(FLASH + 1024, 1024))  # a page to write again
    armed: list[bool] = []
    happened: list[bool] = []

    def watch(event: Event, work: Work) -> None:
        """While it is written, a byte is lost, and something happens to a page that was found right."""
        begins = isinstance(event, Mark) and event.kind is MarkKind.STAGE_BEGIN and event.fields["name"] == "write"
        if begins and not happened:
            happened.append(True)
            armed.append(True)
            board.target.memory.load(FLASH + 4096, bytes(16))

    def lose_one(n: int, byte: int) -> int | None:
        return None if armed and armed.pop() else byte

    result = board.program(image, Options(changed_only=True), Spoiler(out=lose_one), watch=watch)
    assert result.error is None
    assert result.flash(image) == image.segments[0].data
    assert result.work is not None
    assert result.work.ledger.repaired == {4}


V33 = Simulated(
    loader_version=0x33, commands=(*COMMANDS_EXTENDED, 0xA1)
)  # AN3155 Rev 20 Table 3: v3.3 has Get Checksum


def test_a_checksum_proves_quickly_what_it_covers_and_a_block_of_each_run_is_read(f10x: Chip) -> None:
    image = make_image(20_000)
    slow, quick = Bench(f10x, Target(V33)).program(image), Bench(f10x, Target(V33), quick=True).program(image)
    for result in (slow, quick):
        assert result.error is None
        assert result.flash(image) == image.segments[0].data
        assert result.snapshot.programming is not None
        assert result.snapshot.programming.complete
        assert result.snapshot.programming.proven == "08000000-08004E1F"
    assert quick.work is not None
    assert 0 < quick.work.ledger.by_checksum < 20_000
    times = [sum(stage.elapsed_s for stage in r.snapshot.stages if stage.name == "verify") for r in (slow, quick)]
    assert times[1] < times[0] / 5


@pytest.mark.parametrize("trouble", ["flavour", "worn", "no command"])
def test_a_checksum_that_does_not_fit_proves_nothing(trouble: str, f10x: Chip) -> None:
    image = make_image(6000)
    chip = replace(V33, commands=COMMANDS_EXTENDED) if trouble == "no command" else V33
    board = Bench(f10x, Target(chip), quick=True)
    if trouble == "worn":
        program = board.target.memory.program

        def worn(address: int, data: bytes) -> None:
            program(address, data)
            if address <= FLASH + 3000 < address + len(data):
                board.target.memory.load(FLASH + 3000, bytes((image.segments[0].data[3000] ^ 8,)))

        board.target.memory.program = worn  # type: ignore[method-assign]
    if trouble == "flavour":
        board.change = lambda programmer: replace(programmer, checksum_of=lambda data: 0)
    result = board.program(image)
    assert (result.error is None) == (trouble != "worn")
    assert result.work is not None
    if trouble != "worn":
        assert result.work.ledger.by_checksum == 0
    else:
        assert isinstance(result.error, Mismatch)
