"""The stages of a plan that go over the port: opened as each needs it, with every failure as a result in words."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Final, Protocol

from console.boards.implied import implied
from console.boards.misreads import Bus
from console.boards.plan import IdAnswer, ImageOf, Plan, Port, Query, Stage, Work
from console.boards.readback import ENOUGH_READINGS, Findings, read_back
from console.boards.stagerun import Implication
from console.bringup.ask_board import Answer, ask_board
from console.errors import Outcome, Stopped, TargetTrouble, WakelineError
from console.events import Chunk, Event
from console.link.base import Link
from console.programming import run as programming
from console.programming.outlook import outlook, units
from console.programming.planner import erase_plan, make_plan
from console.programming.stages import Work as OnChip
from console.session.outcome import outcome_of
from console.session.session import Session
from console.session.stage import IDENTIFY, SYNC
from console.text import clean, quoted
from console.words import count_of
from protocols import lines
from protocols.errors import NoReply, ProtocolError
from protocols.uart import Frame

_LEAST_LISTEN_S: Final = 0.05
_MOST_HEARD: Final = 64


@dataclass(frozen=True, slots=True)
class Result:
    """How a stage ended: what it showed, what is wrong with that, and what a read-back implies.

    `help`: what to do about it, where no joint or part of the board can be meant. `seen`: short words that tell such a
    reading from others, to compare boards by. `skipped`: the operator left it out, and it showed nothing.
    """

    outcome: Outcome
    found: str = ""
    off: str = ""
    evidence: Implication | None = None
    help: str = ""
    seen: tuple[str, ...] = ()
    skipped: bool = False


class Around(Protocol):
    """What is around the board: the system's ports, or the simulated bench's."""

    async def link(self, port: Port) -> Link:
        """A link with these settings, not opened yet. Raises PortTrouble."""
        ...

    async def shows_up(self, usb: tuple[int, int] | None, within_s: float) -> tuple[bool, str]:
        """Whether the board's port is there, or comes in time; and what was seen, in words."""
        ...


class OverPort:
    """One board's port. `into_loader` has the operator start the boot loader where no control line can."""

    def __init__(
        self, plan: Plan, session: Session, around: Around, into_loader: Callable[[], Awaitable[None]]
    ) -> None:
        self._plan = plan
        self._session = session
        self._around = around
        self._ask_into_loader = into_loader
        self._open_as: Port | None = None
        self._in_loader = False
        self._attempted = False
        self._on_chip: OnChip | None = None
        self._image = ""
        self.stop_wanted = False

    async def let_go(self) -> None:
        """The power goes, and with it whatever the chip was doing."""
        self._open_as, self._on_chip = None, None
        self._in_loader = self._attempted = False
        await self._session.rest()

    async def run(self, stage: Stage) -> Result:
        """Do one stage. Raises Stopped; every other failure is a result."""
        try:
            return await _DO[stage.work](self, stage)
        except Stopped:
            raise
        except ProtocolError as error:
            return Result(outcome_of(error), off=str(error))
        except WakelineError as error:
            return Result(error.outcome, off=str(error), help=error.help)

    # ------------------------------------------------------------------------------------------------ the loader

    async def _enumerate(self, stage: Stage) -> Result:
        there, words = await self._around.shows_up(stage.usb, stage.seconds)
        return Result(Outcome.OK, words) if there else Result(Outcome.PORT, off=words)

    async def _listen(self, stage: Stage) -> Result:
        await self._wake()
        heard = await self._hear(lambda: self._session.listen(stage.seconds))
        self._attempted = True
        if self._session.lost is not None:
            raise self._session.lost
        words = f"{count_of(len(heard), 'byte')} in {stage.seconds:g} s" + (f": {quoted(heard)}" if heard else "")
        if bool(heard) is stage.hears:
            return Result(Outcome.OK, words)
        return Result(Outcome.MISMATCH, words, "the line should talk" if stage.hears else "the line should be silent")

    async def _sync(self, stage: Stage) -> Result:
        await self._wake()
        if not self._attempted:
            await self._session.listen(_LEAST_LISTEN_S)
        self._attempted = False
        found = await self._session.converse(SYNC, self._session.family.sync())
        return Result(Outcome.OK, "it was synchronised already" if found.already_synchronised else "it answers")

    async def _identify(self, stage: Stage) -> Result:
        identity = await self._session.converse(IDENTIFY, self._session.family.identify())
        self._session.identity = identity
        said = "no product id" if identity.product_id is None else f"0x{identity.product_id:03X}"
        found = ", ".join(filter(None, (said, " or ".join(identity.names))))
        if not stage.products or identity.product_id in stage.products:
            return Result(Outcome.OK, found)
        wanted = " or ".join(f"0x{one:03X}" for one in stage.products)
        off = f"{said}, not {wanted}: another chip than the plan's"
        if identity.product_id is None:
            return Result(Outcome.MISMATCH, found, off)
        return await self._another_chip(stage, identity.product_id, found, off)

    async def _another_chip(self, stage: Stage, said: int, found: str, off: str) -> Result:
        """Have it say its id again until it is known whether it changes, then let the patterns speak."""
        family = self._session.family
        readings = [said]
        for _ in range(ENOUGH_READINGS - 1):
            try:
                again = await self._session.converse(IDENTIFY, family.identify())
            except ProtocolError:
                continue
            readings += [] if again.product_id is None else [again.product_id]
        wanted = min(stage.products, key=lambda product: (product ^ said).bit_count())
        known = {product: " or ".join(names) for product, names in family.products.items()}
        width = 8 * math.ceil(max(one.bit_length() for one in (*readings, *known, wanted)) / 8)
        findings = read_back(wanted, readings, Bus.UART, width, known=known)
        heard_on = [wire.net for wire in self._plan.wires if wire.adapter == "RX"]
        roles = dict(zip(("data-out",), heard_on, strict=False))
        return _misread(found, off, findings, implied(findings, roles, next(iter(stage.exercises.names))))

    async def _wake(self) -> None:
        """Port open, chip in its loader."""
        await self._open(self._plan.loader)
        if not self._in_loader:
            if not await self._session.reset():
                await self._ask_into_loader()
            self._in_loader = True

    # ----------------------------------------------------------------------------------------------- the content

    async def _erase(self, stage: Stage) -> Result:
        work = await self._content(stage)
        with programming.spoken(self._session, work, last=False):
            await programming.erase(self._session, work)
        return Result(Outcome.OK, f"blank now: {units(work.plan.chip, work.ledger.erased)}")

    async def _write(self, stage: Stage) -> Result:
        work = await self._content(stage)
        with programming.spoken(self._session, work, last=False):
            if not work.plan.erased_pages <= work.ledger.erased:  # erased before this run, if at all: nobody saw it
                await programming.erase(self._session, work)
            await programming.write(self._session, work)
        seal = 0 if work.plan.seal is None else len(work.plan.seal.data)
        found = count_of(work.plan.bytes_to_write - seal, "byte")
        return Result(Outcome.OK, f"{found}; the {seal} that the chip starts from come last" if seal else found)

    async def _verify(self, stage: Stage) -> Result:
        work = await self._content(stage)
        if work.ledger.written:
            with programming.spoken(self._session, work):
                await programming.prove(self._session, work)
        else:  # written before this run: only look
            wrong = await programming.compared(self._session, work)
            if wrong:
                more = f", and {count_of(len(wrong) - 1, 'more block')}" if len(wrong) > 1 else ""
                return Result(Outcome.MISMATCH, off=f"the chip does not hold this image: {wrong[0].where}{more}")
        return Result(Outcome.OK, f"{count_of(work.ledger.proven.size, 'byte')} read back, all right")

    async def _content(self, stage: Stage) -> OnChip:
        """The programming plan for the stage's image on the chip at hand; made once per power-up."""
        if self._on_chip is None or self._image != stage.image:
            image = self._plan.images[stage.image]
            work = await self._chip(image)
            work.plan = make_plan(image.image, work.plan.chip, work.programmer)
            settings = self._session.link.settings
            expected = outlook(work.plan, work.programmer, settings.frame.char_s(settings.baud))
            programming.announce(self._session, "bring-up", work.plan, expected, source=image.image.path)
            self._on_chip, self._image = work, stage.image
        self._on_chip.stop.wanted = self.stop_wanted
        return self._on_chip

    async def _chip(self, image: ImageOf) -> OnChip:
        """What the chip offers, and its facts. Raises TargetTrouble where it is another one, or protected."""
        programmer = programming.offered(self._session)
        identity = self._session.identity
        if identity is not None and identity.readout_protected:
            raise programming.protected(identity)
        if identity is None or identity.product_id not in image.chip.product_ids:
            raise TargetTrouble("wrong-chip", f"this chip is no {image.chip.name}", help="look at the type on the chip")
        work = OnChip(programmer, erase_plan(image.chip, (), programmer))
        chip = await programming.chip_at_hand(self._session, work)
        work.plan = erase_plan(chip, (), programmer)
        await programming.unique_id(self._session, work)
        return work

    def stop(self) -> None:
        """End what runs now: at the next block's border while something is written."""
        self.stop_wanted = True
        if self._on_chip is not None and not self._on_chip.stop.wanted:
            self._on_chip.stop.wanted = True
        else:
            self._session.cancel()

    # -------------------------------------------------------------------------------------------- the application

    async def _start(self, stage: Stage) -> Result:
        assert stage.starts_at is not None
        programmer = programming.offered(self._session)
        await self._session.converse("start", programmer.go(stage.starts_at))
        self._in_loader, self._on_chip = False, None
        await self._open(self._plan.application)
        heard = await self._hear(lambda: self._session.hear("first words", stage.seconds))
        words = f"first words: {quoted(heard)}" if heard else "no words of its own yet, which proves nothing"
        return Result(Outcome.OK, f"started at 0x{stage.starts_at:08X}; {words}")

    async def _query(self, stage: Stage) -> Result:
        assert stage.query is not None
        await self._open(self._plan.application)
        query = stage.query
        answer = await self._session.converse(f"query {stage.id}", ask_board(query))
        if answer.fields is None:
            return Result(Outcome.MISMATCH, quoted(answer.reply), answer.misfit)
        off = _off(query, answer)
        if not off:
            return Result(Outcome.OK, str(answer))
        if query.id is None or answer.fields[query.id.name] == query.id.expected:
            wrong = tuple(name for name, one in query.expected.items() if one.wrong(answer.fields[name]))
            return Result(Outcome.MISMATCH, str(answer), off, seen=wrong)
        return await self._misread(stage, query, answer, off)

    async def _misread(self, stage: Stage, query: Query, first: Answer, off: str) -> Result:
        """A wrong id: read it again until it is known whether it changes, then let the patterns speak."""
        id = query.id
        assert id is not None
        readings = [first.fields[id.name]] if first.fields is not None else []
        for _ in range(ENOUGH_READINGS - 1):
            try:
                again = await self._session.converse(f"query {stage.id}", ask_board(query))
            except NoReply:
                continue
            if again.fields is not None:
                readings.append(again.fields[id.name])
        usable = [one for one in readings if isinstance(one, bytes) and len(one) == len(id.expected)]
        if not usable:
            return Result(Outcome.MISMATCH, str(first), off)
        neighbours = self._neighbours(id)
        known = {**neighbours, **id.known}
        findings = read_back(id.expected, usable, id.bus, revision_mask=id.revision_mask, known=known, locked=id.locked)
        return _misread(str(first), off, findings, implied(findings, id.lines, id.part, neighbours))

    def _neighbours(self, id: IdAnswer) -> dict[int, str]:
        """What other parts of the board say that they are, on the same kind of bus."""
        every = [stage.query.id for stage in self._plan.stages if stage.query is not None]
        return {
            int.from_bytes(one.expected): f"{clean(one.part)} on this board"
            for one in every
            if one is not None and one.part != id.part and (one.bus, len(one.expected)) == (id.bus, len(id.expected))
        }

    # ------------------------------------------------------------------------------------------------- the port

    async def _open(self, port: Port) -> None:
        """An open port with these settings: tuned where it is open already, because opening can pulse reset."""
        if self._session.lost is not None or self._open_as is None:
            self._open_as = None
            await self._session.change(await self._around.link(self._plan.loader))
            self._open_as = self._plan.loader
        if self._open_as is not port:
            speaks = lines.NAME if port is self._plan.application else None
            await self._session.tune(port.baud, Frame.parse(port.frame), speaks)
            self._open_as = port

    async def _hear(self, listening: Callable[[], Awaitable[None]]) -> bytes:
        heard = bytearray()

        def hear(event: Event) -> None:
            if isinstance(event, Chunk) and event.direction == "in":
                heard.extend(event.data[: _MOST_HEARD - len(heard)])

        self._session.add_sink(hear)
        try:
            await listening()
        finally:
            self._session.remove_sink(hear)
        return bytes(heard)


_DO: Final[dict[Work, Callable[[OverPort, Stage], Awaitable[Result]]]] = {
    Work.ENUMERATE: OverPort._enumerate,
    Work.LISTEN: OverPort._listen,
    Work.SYNC: OverPort._sync,
    Work.IDENTIFY: OverPort._identify,
    Work.ERASE: OverPort._erase,
    Work.WRITE: OverPort._write,
    Work.VERIFY: OverPort._verify,
    Work.START: OverPort._start,
    Work.QUERY: OverPort._query,
}


def _off(query: Query, answer: Answer) -> str:
    assert answer.fields is not None
    wrong = [(name, expected.wrong(answer.fields[name])) for name, expected in query.expected.items()]
    return "; ".join(f"{name} {words}" for name, words in wrong if words)


def _misread(found: str, off: str, findings: Findings, evidence: Implication | None) -> Result:
    seen = tuple(pattern.id for pattern in findings.patterns) or ("no-pattern",)
    return Result(Outcome.MISMATCH, found, f"{off}{_patterns(findings)}", evidence, seen=seen)


def _patterns(findings: Findings) -> str:
    words = [f"{pattern.words} ({'; '.join(pattern.fits)})" for pattern in findings.patterns]
    told = f"; read {count_of(len(findings.readings), 'time')}: " + ("; ".join(words) or "no known pattern fits")
    checks = dict.fromkeys(pattern.next_check for pattern in findings.patterns)
    return "; ".join((told, *(f"check: {check}" for check in checks), *findings.ask))
