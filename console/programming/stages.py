"""The stages of a programming run as conversations: pure generators over what a family's `Programmer` offers.

Each is one stage of many exchanges: it knows no port, no clock and no loop. Damage, silence and refusals are met block
by block: the chip is brought back in step, what it holds now is read, and only then is anything sent again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Final, TypeVar

from console.errors import Stopped
from console.images.image import Span
from console.programming.outlook import erase_s, units
from console.programming.plan import EraseStep, Plan, SupplyStep, VerifyStep, WriteStep
from console.programming.proof import Difference, Ledger, compare
from console.words import count_of
from protocols.conversation import Conversation, Stray, Tell, Want
from protocols.errors import TheirBehaviour, UnexpectedReply
from protocols.family import SyncResult
from protocols.programmer import Programmer

T = TypeVar("T")
Content = Callable[[int, int], bytes | None]
"""What something holds at an address, so many bytes of it; None where it does not hold all of them."""
RETRIES: Final = 3
_MARKS_PER_STAGE: Final = 100
_LEAST_STEP: Final = 1024
_PIECE: Final = 32
_READINGS: Final = 4
_TOLD: Final = 8  # differences that are noted one by one; of the others their number
_CHECKSUM_RUN: Final = 8192
# documents give the slowest at the rated supply and temperature; a chip beyond them still gets its time, and so does a
# loader that forgot the supply it was told
_PATIENCE: Final = 2.0
_WRITE_S: Final = 0.3  # a late acknowledge costs nothing where none is late


@dataclass(slots=True)
class StopRequest:
    """Set from outside; stages end at the next block's border, where it is known what the chip holds."""

    wanted: bool = False
    at_once: bool = False
    """Asked for twice: the conversation is cut off where it is, perhaps in the middle of a command."""

    def check(self) -> None:
        """Raise Stopped if it was asked for."""
        if self.wanted:
            raise Stopped("stopped", "stopped by the user between two blocks", help="go on with --resume, when ready")


@dataclass(slots=True)
class Work:
    """What the stages of one run share."""

    programmer: Programmer
    plan: Plan
    ledger: Ledger = field(default_factory=Ledger)
    stop: StopRequest = field(default_factory=StopRequest)
    retries: int = RETRIES
    quick: bool = False
    """Prove by the chip's own checksum where it has one, and read back a block of it, in place of every byte."""


def realign_or_sync(programmer: Programmer) -> Conversation[SyncResult]:
    """A sync for a chip that may wait for the rest of a half command since a run was cut off."""
    yield from programmer.realign()
    return SyncResult()


def patiently(work: Work, what: str, ask: Callable[[], Conversation[T]], pending: bytes = b"") -> Conversation[T]:
    """`ask`, and again after damage: up to `work.retries` times, with the chip brought in step in between.

    Raises what the last try raised: Refused, NoReply or UnexpectedReply.
    """
    for left in range(work.retries, -1, -1):
        try:
            return (yield from ask())
        except TheirBehaviour as trouble:
            if not left:
                raise
            work.ledger.repeated += 1
            yield Tell("note", {"text": f"{what}: {trouble}; trying again"})
            yield from _in_step(work, pending)
    raise AssertionError("unreachable")


def _in_step(work: Work, pending: bytes = b"") -> Conversation[None]:
    """Even after a refusal the chip may wait for the rest of something: a spoiled length makes it take the packet's
    end for commands."""
    try:
        yield from work.programmer.realign(pending)
    except TheirBehaviour:
        yield Tell("note", {"text": "the chip does not say that it takes commands; trying all the same"})


def unique_id_stage(work: Work, address: int, size: int) -> Conversation[bytes]:
    """What tells this chip from all others of its kind; b"" where it does not say: no other work hangs on it.

    An answer of the chip has no check of its own: it is read until two readings agree.
    """
    once, before = replace(work, retries=1), b""
    try:
        for _ in range(_READINGS):
            found = yield from patiently(once, "read the unique id", lambda: work.programmer.read(address, size))
            if found == before:
                return found
            before = found
    except TheirBehaviour as trouble:
        yield Tell("note", {"text": f"the chip does not give its unique id: {trouble}"})
        yield from _in_step(work)
        return b""
    yield Tell("note", {"text": "the chip's unique id reads otherwise each time: it is not kept"})
    return b""


class _Progress:
    """Tells about a hundred times per stage how far it is."""

    def __init__(self, work: Work, total: int) -> None:
        self._work = work
        self._total = total
        self._every = max(_LEAST_STEP, total // _MARKS_PER_STAGE)
        self._told = -1
        self.done = 0

    def tell(self, more: int = 0) -> Iterator[Tell]:
        """Count `more` bytes; what there is to tell now."""
        self.done += more
        if self._told < 0 or self.done >= self._total or self.done - self._told >= self._every:
            self._told = self.done
            yield self._word()

    def forgotten(self) -> Iterator[Tell]:
        """What was known of the memory is not known any more: a record that ends here must not say that it is."""
        yield self._word()

    def _word(self) -> Tell:
        # with what is known by now, so that also the record of a run that was killed says it
        return Tell("progress", {"done": self.done, "total": self._total, **self._work.ledger.words()})


def supply_stage(work: Work, step: SupplyStep) -> Conversation[None]:
    """Tell the loader the supply; one statement repeated is harmless."""
    work.stop.check()
    yield from patiently(work, "state the supply", partial(work.programmer.tell_supply, step.range))


def erase_stage(work: Work, steps: Sequence[EraseStep]) -> Conversation[None]:
    """Erase; one command repeated is harmless, so it is repeated until acknowledged."""
    chip = work.plan.chip
    sizes = [
        chip.flash_size if step.pages is None else sum(chip.page_range(page).size for page in step.pages)
        for step in steps
    ]
    progress = _Progress(work, sum(sizes))
    yield from progress.tell()
    for step, size in zip(steps, sizes, strict=True):
        work.stop.check()
        if work.ledger.forget(erased_spans(work.plan, step)):
            yield from progress.forgotten()
        within_s = _PATIENCE * erase_s(chip, step)
        pages = step.pages
        if pages is None:
            yield from patiently(work, "erase everything", partial(work.programmer.erase_all, within_s))
        else:
            yield from patiently(
                work,
                f"erase {units(chip, pages)}",
                partial(work.programmer.erase, pages, within_s),
                pending=b"".join(page.to_bytes(2) for page in pages) + bytes((len(pages) - 1,)),
            )
        work.ledger.erased.update(range(chip.page_count) if pages is None else pages)
        if step.pause_s:
            early = yield Want(1, step.pause_s, "a pause that this chip needs after an erase", optional=True)
            if early:
                yield Stray(early, "in a pause after an erase")
        yield from progress.tell(size)


def erased_spans(plan: Plan, step: EraseStep) -> list[Span]:
    """What an erase step takes."""
    return [plan.chip.flash] if step.pages is None else [plan.chip.page_range(page) for page in step.pages]


def write_stage(work: Work, steps: Sequence[WriteStep]) -> Conversation[None]:
    """Write; a block whose fate is not known is read before it is sent again, and noted where it went half way."""
    progress = _Progress(work, sum(len(step.data) for step in steps))
    yield from progress.tell()
    for step in steps:
        work.stop.check()
        yield from _write(work, step)
        yield from progress.tell(len(step.data))


def _write(work: Work, step: WriteStep) -> Conversation[None]:
    chip = work.plan.chip
    flash = chip.flash.holds(step.address)
    within_s = max(_WRITE_S, _PATIENCE * chip.program_s)
    for left in range(work.retries, -1, -1):
        try:
            yield from work.programmer.write(step.address, step.data, within_s)
            break
        except TheirBehaviour as trouble:
            if not left:
                raise
            work.ledger.repeated += 1
            yield Tell("note", {"text": f"write 0x{step.address:08X}: {trouble}; reading what is there"})
            yield from _in_step(work)
        there = yield from _read(work, step.span)
        if there == step.data:  # it was carried out; only the acknowledge was lost
            break
        if flash and not _writable_over(there, step.data, chip.erased, chip.granule):
            work.ledger.unsure.update(chip.pages_covering((step.span,)))
            yield Tell(
                "note", {"text": f"the block at 0x{step.address:08X} was written half; its page is erased again"}
            )
            return
    work.ledger.written.add(step.span)


def _writable_over(there: bytes, data: bytes, erased: int, granule: int) -> bool:
    """Whether every granule is right already or still blank: flash with check bits takes each granule once."""
    blank = bytes((erased,)) * granule
    return all(
        there[at : at + granule] in (data[at : at + granule], blank[: len(there) - at])
        for at in range(0, len(data), granule)
    )


def verify_stage(
    work: Work, steps: Sequence[VerifyStep], before: Mapping[int, bytes] | None = None
) -> Conversation[list[Difference]]:
    """Read back every byte; what differs is read a second time. Returns what is wrong on the chip itself.

    A block whose second reading is right is proven: the first was spoiled on the line. `before` has what was read at
    an address before it was erased and written once more.
    """
    progress = _Progress(work, sum(len(step.data) for step in steps))
    found: list[Difference] = []
    yield from progress.tell()
    if work.quick:
        steps = yield from _checksums(work, steps, progress)
    for step in steps:
        work.stop.check()
        difference = yield from _verify(work, step, (before or {}).get(step.address))
        if difference is None:
            work.ledger.proven.add(step.span)
        else:
            found.append(difference)
            # what a difference looks like tells of a write; where nothing was written it is only another content
            why = f": {difference.meaning}" if work.plan.all_writes else ""
            if len(found) <= _TOLD:
                yield Tell("note", {"text": f"differs at {difference.where}{why}"})
        yield from progress.tell(len(step.data))
    if len(found) > _TOLD:
        yield Tell("note", {"text": f"and {count_of(len(found) - _TOLD, 'more place')}"})
    return found


def _checksums(work: Work, steps: Sequence[VerifyStep], progress: _Progress) -> Conversation[list[VerifyStep]]:
    """Prove runs of blocks by the chip's checksum, the first block of each also by reading; returns what is left.

    A checksum that does not fit proves nothing, not even that the memory is wrong: how the chip computes it is nowhere
    documented. Then, and where it is refused, the blocks are read.
    """
    left: list[VerifyStep] = []
    for run in _runs(steps):
        work.stop.check()
        first, size = run[0], sum(len(step.data) for step in run)
        if work.programmer.checksum is None or first.address % 4 or size % 4 or len(run) == 1:
            left += run
            continue
        try:
            said = yield from patiently(
                work, f"checksum from 0x{first.address:08X}", partial(work.programmer.checksum, first.address, size)
            )
            sample = yield from _read(work, first.span)
        except TheirBehaviour as trouble:
            yield Tell("note", {"text": f"no checksum from 0x{first.address:08X} ({trouble}): it is read instead"})
            left += run
            continue
        if said != work.programmer.checksum_of(b"".join(step.data for step in run)) or sample != first.data:
            yield Tell("note", {"text": f"the checksum from 0x{first.address:08X} does not fit: it is read instead"})
            left += run
            continue
        work.ledger.proven.update(step.span for step in run)
        work.ledger.by_checksum += size - len(first.data)
        yield from progress.tell(size)
    return left


def _runs(steps: Sequence[VerifyStep]) -> Iterator[list[VerifyStep]]:
    """Blocks that follow each other, a few KiB at a time so that a stop is heeded."""
    run: list[VerifyStep] = []
    for step in steps:
        if run and (run[-1].span.end != step.address or step.span.end - run[0].address > _CHECKSUM_RUN):
            yield run
            run = []
        run.append(step)
    if run:
        yield run


def _verify(work: Work, step: VerifyStep, before: bytes | None) -> Conversation[Difference | None]:
    """Two readings that agree decide. On a line that seldom brings a whole block right, pieces of it are read."""
    got = yield from _read(work, step.span)
    if got == step.data:
        return None
    again = yield from _read(work, step.span)
    if again == got:
        return compare(step.address, step.data, got, again, work.plan.chip.erased, before)
    work.ledger.repeated += 1
    yield Tell("note", {"text": f"two readings from 0x{step.address:08X} differ; reading it in pieces"})
    settled, again = b"", b""
    for piece in _pieces(step.span):
        at = piece.start - step.address
        last, former = yield from _settled(work, piece, step.data[at : at + piece.size])
        settled += last
        again += former
    if settled == step.data:
        return None
    return compare(step.address, step.data, settled, again, work.plan.chip.erased, before)


def _pieces(span: Span) -> Iterator[Span]:
    """On a line that seldom brings a whole block right, a piece comes through."""
    return (Span(at, min(_PIECE, span.end - at)) for at in range(span.start, span.end, _PIECE))


def _settled(work: Work, span: Span, want: bytes | None = None) -> Conversation[tuple[bytes, bytes]]:
    """Read a piece until it is what is wanted or two readings agree; the last two readings."""
    last = yield from _read(work, span)
    for _ in range(work.retries):
        if last == want:
            return last, last
        again = yield from _read(work, span)
        if again == last:
            return last, again
        last, former = again, last
    return (last, last) if last == want else (last, former)


def _read(work: Work, span: Span) -> Conversation[bytes]:
    return patiently(work, f"read 0x{span.start:08X}", partial(work.programmer.read, span.start, span.size))


def read_stage(work: Work, spans: Sequence[Span], like: Content | None = None) -> Conversation[list[bytes]]:
    """Read whole ranges, each as one piece and every block twice: what comes carries no check of its own (AN3155 Rev 20
    s.3.4), and others will rely on it. A block that reads just as `like` has it needs no second reading.

    Raises UnexpectedReply where the line does not bring the same twice.
    """
    progress = _Progress(work, sum(span.size for span in spans))
    out = []
    yield from progress.tell()
    for span in spans:
        data = bytearray()
        while len(data) < span.size:
            work.stop.check()
            at = span.start + len(data)
            size = min(work.programmer.max_block - at % work.programmer.max_block, span.end - at)
            data += yield from _read_surely(work, Span(at, size), like)
            yield from progress.tell(size)
        out.append(bytes(data))
    return out


def _read_surely(work: Work, span: Span, like: Content | None) -> Conversation[bytes]:
    got = yield from _read(work, span)
    if like is not None and got == like(span.start, span.size):
        return got
    if got == (yield from _read(work, span)):
        return got
    work.ledger.repeated += 1
    yield Tell("note", {"text": f"two readings from 0x{span.start:08X} differ; reading it in pieces"})
    out = b""
    for piece in _pieces(span):
        last, former = yield from _settled(work, piece)
        if last != former:
            raise UnexpectedReply(f"the same twice from 0x{piece.start:08X}", last)
        out += last
    return out
