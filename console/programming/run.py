"""Carries a plan out over a session, stage by stage, and says at the end exactly what is proven.

A run ends well only when every byte of the plan was read back and was right; whatever cuts it off, the record's last
word is which ranges were proven, which were written and not read back, and which units were erased.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Final

from console.errors import Mismatch, Outcome, PortTrouble, Stopped, TargetTrouble, WakelineError
from console.events import Chunk, Event, MarkKind
from console.images.image import Span
from console.programming.chips import Chip
from console.programming.door import Door
from console.programming.outlook import Outlook, numbers, units
from console.programming.plan import Plan, VerifyStep
from console.programming.planner import repair_plan
from console.programming.proof import Difference, Kind, as_text, differences
from console.programming.stages import (
    Content,
    Work,
    erase_stage,
    patiently,
    read_stage,
    realign_or_sync,
    supply_stage,
    unique_id_stage,
    verify_stage,
    write_stage,
)
from console.words import count_of
from protocols.errors import OurMistake, Refused
from protocols.family import Identity
from protocols.programmer import Programmer

UNIQUE_ID_BYTES: Final = 12
_BLANK_SIZE: Final = b"\xff\xff"
_MOST_HEARD: Final = 4096
REPAIRS: Final = 2
"""How often a unit that reads back wrong is erased and written again before it is given up."""


async def wake(session: Door, *, listen_s: float, realign: bool = False) -> Outcome:
    """The handshake of a programming run, with a sync that does no harm to a chip that a run was cut off on.

    `realign`: the chip may wait for the rest of a half command; it is brought in step in place of the sync.
    """
    programmer = offered(session, Identity())
    return await session.handshake(listen_s, sync=realign_or_sync(programmer) if realign else programmer.sync())


def offered(session: Door, identity: Identity | None = None) -> Programmer:
    """What the chip of the last handshake offers. TargetTrouble `unsupported` where the family cannot."""
    known = identity if identity is not None else session.identity
    if session.family.programmer is None or known is None:
        raise TargetTrouble(
            "unsupported",
            f"the protocol {session.family.name} has no way to program",
            help="choose another protocol with --family",
        )
    return session.family.programmer(known)


def announce(session: Door, task: str, plan: Plan, expected: Outlook | None = None, **more: str) -> None:
    """Record what is about to be done; from here on the outcome is only good with a complete proof."""
    session.mark(
        MarkKind.PLAN,
        task=task,
        chip=plan.chip.name,
        write=plan.bytes_to_write,
        verify=plan.bytes_to_verify,
        erase=numbers(plan.erased_pages),
        expected_s=None if expected is None else round(expected.total_s, 3),
        already=as_text(plan.already),
        supply_v=None if plan.supply is None else plan.supply.volts,
        **more,
    )


async def carry_out(session: Door, work: Work) -> None:
    """State the supply, erase, write, read back, mend what is wrong, and write what the chip starts from last of all.

    Raises Mismatch when memory stays wrong, TargetTrouble when the chip denies, Stopped at a block's border when
    `work.stop` was set, ProtocolError and PortTrouble from the line. Whatever happens, the record says what is proven.
    """
    work.ledger.proven.update(work.plan.already)
    with spoken(session, work):
        await tell_supply(session, work)
        await erase(session, work)
        await write(session, work)
        await prove(session, work)


@contextmanager
def spoken(session: Door, work: Work, *, last: bool = True) -> Iterator[None]:
    """Whatever happens in the block, the record says what is proven; what the chip denies is told as that.

    Where the block is not the `last` part of a plan, its good end proves nothing yet and leaves no word.
    """
    complete = False
    try:
        yield
        complete = True
    except Refused as refusal:
        if work.programmer.denied(refusal):
            raise protected(session.identity) from refusal
        raise
    except OurMistake as mistake:
        raise TargetTrouble("unsupported", str(mistake), help="another way to program it is needed") from mistake
    finally:
        if last or not complete:
            proof(session, work, complete)


async def tell_supply(session: Door, work: Work) -> None:
    """What comes before a plan's first part: the loader hears what the supply is. Raises as `carry_out`."""
    step = work.plan.supply
    if step is None:
        return
    try:
        await session.converse("supply", supply_stage(work, step))
    except Refused as refusal:
        if work.programmer.denied(refusal):
            raise
        raise TargetTrouble(
            "refused",
            "the loader does not take a statement of its supply; nothing was erased",
            help="leave --supply-volts out: it then works 8 bits at a time, which every supply allows",
        ) from refusal


async def erase(session: Door, work: Work, plan: Plan | None = None) -> None:
    """The first part of a plan (the work's own unless another is given): make room. Raises as `carry_out`."""
    steps = (plan or work.plan).erases
    if steps:
        await session.converse("erase", erase_stage(work, steps))


async def write(session: Door, work: Work, plan: Plan | None = None) -> None:
    """The second part: all but what the chip starts from. Raises as `carry_out`."""
    steps = (plan or work.plan).writes
    if steps:
        await session.converse("write", write_stage(work, steps))


async def prove(session: Door, work: Work) -> None:
    """The last part: read back, mend what is wrong, write what the chip starts from and read that back too."""
    plan = work.plan
    await _proven(session, work, plan.verifies, sealed=False)
    if work.ledger.repeated and plan.rechecks:
        # the line spoiled something since these were read; a spoiled command may have done anything
        work.ledger.forget(plan.already)
        await _proven(session, work, plan.rechecks, sealed=False)
    if plan.seal is not None:
        await session.converse("seal", write_stage(work, (plan.seal,)))
        await _proven(session, work, plan.seal_verifies, sealed=True)


async def _proven(session: Door, work: Work, steps: Sequence[VerifyStep], *, sealed: bool) -> None:
    """Read back `steps`; units that are wrong are erased and written again, and read back whole."""
    plan = work.plan
    before: dict[int, bytes] = {}
    for left in range(REPAIRS, -1, -1):
        wrong = await session.converse("verify", verify_stage(work, steps, before)) if steps else []
        pages = {
            page
            for found in wrong
            if found.kind is not Kind.LINE and plan.chip.flash.holds(found.address)
            for page in plan.chip.pages_covering((found.block,))
        }
        # neither RAM nor the line is mended by erasing
        beyond_repair = (bool(wrong) and not pages) or not pages <= set(plan.content)
        pages |= work.ledger.unsure
        if not pages and not wrong:
            return
        if not left or beyond_repair:
            raise mismatch(wrong)
        before |= {found.block.start: found.reading for found in wrong}
        mend = repair_plan(plan, pages, work.programmer, sealed=sealed)
        work.ledger.unsure.clear()
        work.ledger.repaired += len(pages)
        session.mark(MarkKind.NOTE, text=f"erased and written again: {units(plan.chip, pages)}")
        await erase(session, work, mend)
        await write(session, work, mend)
        if mend.seal is not None:
            await session.converse("seal", write_stage(work, (mend.seal,)))
        steps = mend.all_verifies


_NEXT: Final = {
    Kind.IGNORED: "do not use this board; its sectors may be write-protected, which is lifted in the chip's option "
    "bytes and not from here; if they are not, check the supply and try once more",
    Kind.LINE: "do not use this board yet; look at cable, joints and supply, then try once more",
}


def mismatch(wrong: Sequence[Difference]) -> Mismatch:
    """Memory that stays wrong, as an error that names the first place and what it looks like."""
    if not wrong:
        return Mismatch(
            "mismatch", "some blocks could not be written whole", help="check supply and wires, then try once more"
        )
    first = wrong[0]
    more = f", and {count_of(len(wrong) - 1, 'more block')}" if len(wrong) > 1 else ""
    return Mismatch(
        "mismatch",
        f"memory does not hold what was written: {first.where}{more}",
        where=f"0x{first.address:08X}",
        note=f"{first.kind.value}: {first.meaning}",
        help=_NEXT.get(first.kind, "do not use this board; check its supply, then try once more, or change the chip"),
    )


def protected(identity: Identity | None) -> TargetTrouble:
    """The chip denies reading or writing, in words."""
    product = identity.product_id if identity is not None else None
    consent = "with --lift-protection " + ("with its product id" if product is None else f"0x{product:03X}")
    return TargetTrouble(
        "protected",
        "the chip refuses to be read or written: readout protection is set",
        note="somebody set it to keep the program in the chip from being copied",
        help=f"ask the owner of the program; lifting it erases the whole chip: program, erase or restore, {consent}",
        caution="lifting the protection erases everything on the chip for good",
    )


@contextmanager
def recorded(session: Door) -> Iterator[None]:
    """Whatever of ours ends the block is in the record before it travels on."""
    try:
        yield
    except (PortTrouble, Stopped):  # the session recorded these itself
        raise
    except WakelineError as error:
        session.trouble(error)
        raise


def proof(session: Door, work: Work, complete: bool, differing: Sequence[Difference] = ()) -> None:
    """The record's last word on the memory. `differing`: what a comparison found that read everything."""
    session.mark(
        MarkKind.PROOF,
        complete=complete,
        **work.ledger.words(),
        differing_bytes=sum(each.count for each in differing),
        differing_places=len(differing),
    )


async def chip_at_hand(session: Door, work: Work) -> Chip:
    """The plan's chip with the flash size that it states itself, where it states one.

    Raises what reading raises; TargetTrouble `protected` where it is denied.
    """
    chip = work.plan.chip
    if chip.flash_size_address is None or chip.least_flash_size == chip.flash_size:
        return chip
    address = chip.flash_size_address
    try:
        said = await session.converse(
            "size", patiently(work, "read the flash size", lambda: work.programmer.read(address, 2))
        )
    except Refused as refusal:
        if work.programmer.denied(refusal):
            raise protected(session.identity) from refusal
        session.mark(MarkKind.NOTE, text="the chip does not say how large its flash is")
        return chip
    if said == _BLANK_SIZE:
        return chip
    size = int.from_bytes(said, "little") * 1024
    try:
        if size < chip.least_flash_size:
            raise ValueError(size)
        return chip.sized(size)
    except ValueError:
        session.mark(
            MarkKind.NOTE,
            text=f"the chip says that its flash has {count_of(size, 'byte')}, which {chip.name} cannot have",
        )
        return chip


async def unique_id(session: Door, work: Work) -> str:
    """The chip's unique id in hex, kept in the record; "" where it has none that can be read. Raises what a dead line
    raises."""
    address = work.plan.chip.unique_id_address
    if address is None:
        return ""
    found = await session.converse("unique id", unique_id_stage(work, address, UNIQUE_ID_BYTES))
    if found.strip(b"\xff") == b"" or found.strip(b"\0") == b"":  # memory that is not there, or blank
        return ""
    session.mark(MarkKind.CHIP, unique_id=found.hex())
    return found.hex()


async def read_pages(session: Door, work: Work, pages: Sequence[int], like: Content | None = None) -> dict[int, bytes]:
    """Whole erase units by number. Raises as `read_spans`."""
    chip = work.plan.chip
    found = await read_spans(session, work, [chip.page_range(page) for page in pages], like)
    return dict(zip(pages, found, strict=True))


async def read_spans(session: Door, work: Work, spans: Sequence[Span], like: Content | None = None) -> list[bytes]:
    """Memory as it is, by two readings that agree (see `read_stage`).

    Raises TargetTrouble `protected`, Stopped, and what the line raises."""
    try:
        return await session.converse("read", read_stage(work, spans, like))
    except Refused as refusal:
        if work.programmer.denied(refusal):
            raise protected(session.identity) from refusal
        raise TargetTrouble("refused", "the chip refuses to read there", help="check address and length") from refusal


async def lift_protection(session: Door, work: Work, consent: int) -> None:
    """Lift the readout protection, which erases everything, if `consent` is the product id; then a new handshake.

    Raises TargetTrouble `wrong-chip` with the id of another chip, and where the chip does not come back open.
    """
    product = session.identity.product_id if session.identity is not None else None
    if consent != product:
        said = "no id" if product is None else f"0x{product:03X}"
        raise TargetTrouble(
            "wrong-chip",
            f"the consent is for 0x{consent:03X}, this chip says {said}",
            help="make sure which board this is; give its own id",
        )
    chip = work.plan.chip
    within_s = chip.mass_erase_s if chip.mass_erase_s is not None else chip.page_count * chip.page_erase_s
    await session.converse("lift protection", work.programmer.unprotect(2 * within_s))
    work.ledger.erased.update(range(chip.page_count))
    # AN3155 is not of one mind on which chips reset now: the sync finds out either way
    if await session.handshake(0) is not Outcome.OK:
        raise TargetTrouble(
            "refused",
            "the chip does not answer after its protection was lifted",
            help="power it off and on with the boot strap set, then run the command again",
        )
    if session.identity is not None and session.identity.readout_protected:
        raise TargetTrouble(
            "protected",
            "the chip is still protected",
            help="power it off and on with the boot strap set, then run the command again",
        )


async def compared(session: Door, work: Work) -> list[Difference]:
    """Read back what the plan says, by address, and change nothing. Returns what differs; the record says it too."""
    wrong: list[Difference] = []
    complete = False
    steps = sorted(work.plan.all_verifies, key=lambda step: step.address)
    try:
        wrong = await session.converse("compare", verify_stage(work, steps), _as_compared)
        complete = not wrong
    except Refused as refusal:
        if work.programmer.denied(refusal):
            raise protected(session.identity) from refusal
        raise
    finally:
        proof(session, work, complete, wrong)
    return wrong


def _as_compared(wrong: Sequence[Difference]) -> tuple[Outcome, str]:
    return (Outcome.MISMATCH, differences(wrong)) if wrong else (Outcome.OK, "")


async def start(session: Door, work: Work, address: int, listen_s: float) -> bytes:
    """Let the program at `address` (its vector table) run, and hear its first words for `listen_s` seconds."""
    heard = bytearray()

    def hear(event: Event) -> None:
        if isinstance(event, Chunk) and event.direction == "in":
            heard.extend(event.data[: _MOST_HEARD - len(heard)])

    await session.converse("start", work.programmer.go(address))
    session.add_sink(hear)
    try:
        await session.hear("first words", listen_s)
    finally:
        session.remove_sink(hear)
    return bytes(heard)
