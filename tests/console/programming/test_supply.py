"""`--supply-volts` from the wish to the chip: told before anything is erased, as much faster as the model, or refused.

The chip is `target.py` with the id of an F40x and eight small sectors, so that tests are quick; times: DS8626 Rev 12
Table 40, typical, of a 16 KB sector (400 ms at x8, 250 ms at x32) and of one operation of any width (16 us). The byte:
AN2606 Rev 70 Table 4.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

import protocols
from console.errors import TargetTrouble, UsageTrouble, WakelineError
from console.events import Chunk, Event, Mark, MarkKind
from console.programming.chip_file import find_chip, packaged
from console.programming.chips import Chip
from console.programming.outlook import outlook
from console.programming.planner import erase_plan
from console.programming.stages import Work
from console.session.session import Session
from console.snapshot import Fold
from console.tasks.catalogue import TASKS
from console.tasks.job import Job
from console.tasks.on_chip import perform
from protocols.an3155.chip import Chip as Simulated
from protocols.an3155.target import Target
from protocols.family import Identity
from tests.chip_link import ChipLink, warp
from tests.console.programming.conftest import FLASH, make_image
from tests.protocols.an3155.test_supply import F40X, FAST, NAMES, SLOW

SMALL = replace(F40X, flash_size=8 * 0x800, sector_sizes=(0x800,) * 8)
CHIP = """
[[chip]]
product_ids = [0x413]
name = "a small F40x"
flash_start = 0x0800_0000
pages = [{ count = 8, size = 0x800 }]
unit = "sector"
granule = 4
ram = [{ start = 0x2000_0000, size = 0x0002_0000 }]
loader_ram = [{ start = 0x2000_0000, size = 0x3000 }]
page_erase_s = 4.0
mass_erase_s = 32.0
program_s = 0.0256
by_words = { page_erase_s = 2.0, mass_erase_s = 16.0, program_s = 0.0064 }
source = "DS8626 Rev 12 Table 40, with sectors of its own"
"""
SIZE = 4000  # two sectors
# stack and entry as the layout check wants them: RAM that the loader does not use, a Thumb address in flash
DATA = bytes.fromhex("00 80 00 20 01 01 00 08") + make_image(SIZE).segments[0].data[8:]
OLD = bytes((n * 11 + 5) & 0xFF for n in range(SMALL.flash_size))
TOLD = bytes.fromhex("31 CE FF FF 00 00 00 00 03 03")  # AN2606 Rev 70 Table 4
ERASE = bytes.fromhex("44 BB")


@dataclass
class Told:
    """Implements `console.tasks.job.Front`: agrees to all, and keeps what was said."""

    lines: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def say(self, *lines: str) -> None:
        self.lines += lines

    def began(self, work: Work) -> None:
        pass

    async def ask(self, question: str, wanted: str, option: str) -> bool:
        self.asked.append(question)
        return True

    async def which_chip(self, product_id: int, fitting: Sequence[Chip]) -> Chip | None:
        return None


@dataclass
class Done:
    target: Target
    fold: Fold
    events: list[Event]
    front: Told
    error: WakelineError | None

    @property
    def sent(self) -> bytes:
        return b"".join(e.data for e in self.events if isinstance(e, Chunk) and e.direction == "out")

    def took(self, stage: str) -> float:
        return sum(s.elapsed_s for s in self.fold.snapshot().stages if s.name == stage)


def do(task: str, job: Job, chip: Simulated = SMALL, holds: bytes = OLD) -> Done:
    target, fold, events, front = Target(chip), Fold(), [], Told()
    target.memory.load(FLASH, holds[: chip.flash_size])
    body = TASKS[task](job)
    link = ChipLink(target)

    async def run() -> WakelineError | None:
        async with Session(
            link, protocols.load("an3155"), clock=link.clock, sinks=[fold.add, events.append]
        ) as session:
            try:
                await perform(session, job, body, front, {})
            except WakelineError as error:
                return error
            return None

    return Done(target, fold, events, front, warp(run()))


@pytest.fixture
def image(tmp_path: Path) -> str:
    path = tmp_path / "tern.bin"
    path.write_bytes(DATA)
    (tmp_path / "chip.toml").write_text(CHIP)
    return str(path)


def wish(image: str, volts: float | None = 3.3, **more: Any) -> Job:
    mine = {
        "address": FLASH,
        "listen": 0,
        "yes": True,
        "no_backup": True,
        "chip_file": str(Path(image).parent / "chip.toml"),
    }
    return Job(image=image, supply_volts=volts, **(mine | more))


def test_it_is_told_before_anything_is_erased_and_the_chip_is_as_much_faster(image: str) -> None:
    plain, told = do("program", wish(image, None)), do("program", wish(image))
    assert plain.error is None
    assert told.error is None
    assert (plain.target.voltage_range, told.target.voltage_range) == (0, 3)
    assert TOLD not in plain.sent
    assert 0 < told.sent.index(TOLD) < told.sent.index(ERASE)
    assert told.sent.count(TOLD) == 1
    assert told.target.memory.read(FLASH, SIZE) == DATA
    # the model: two sectors, and one operation for each 4 bytes in place of four
    assert plain.took("erase") - told.took("erase") == pytest.approx(2 * (SLOW.page_erase_s - FAST.page_erase_s))
    words = SIZE // 4
    spent = [run.took("write") + run.took("seal") for run in (plain, told)]
    assert spent[0] - spent[1] == pytest.approx(words * (SLOW.program_word_s - FAST.program_word_s), rel=1e-3)
    assert plain.took("verify") == pytest.approx(told.took("verify"), abs=1e-4)


def test_the_plan_says_what_it_does_and_warns_and_the_record_names_it(image: str) -> None:
    told = do("program", wish(image))
    said = " ".join(told.front.lines)
    assert "2.7 to 3.6 V (3.3 V measured)" in said
    assert "32 bits at a time in place of 8: faster" in said
    assert "only if you measured it" in said
    plan = next(e for e in told.events if isinstance(e, Mark) and e.kind is MarkKind.PLAN)
    assert plan.fields["supply_v"] == 3.3
    assert "supply" in [stage.name for stage in told.fold.snapshot().stages]
    plain = do("program", wish(image, None))
    assert "supply" not in " ".join(plain.front.lines)
    assert "supply" not in [stage.name for stage in plain.fold.snapshot().stages]


def test_what_is_said_before_is_what_it_takes_at_most(image: str) -> None:
    for volts in (None, 3.3):
        run = do("program", wish(image, volts))
        state = run.fold.snapshot().programming
        assert state is not None
        assert state.expected_s is not None
        assert sum(run.took(name) for name in ("erase", "write", "verify", "seal")) < state.expected_s


@pytest.mark.parametrize("task", ["update", "erase", "restore"])
def test_every_task_that_changes_the_chip_tells_it(task: str, image: str, tmp_path: Path) -> None:
    if task == "restore":
        saved = tmp_path / "before.bin"
        assert do("update", wish(image, None, no_backup=False, backup=str(saved))).error is None
        run = do(task, wish(image, backup=str(saved)), holds=bytes(SMALL.flash_size))
    elif task == "erase":
        run = do(task, wish(image, 2.7, pages=(1,), consent=0x413))
    else:
        run = do(task, wish(image, 3.6))
    assert run.error is None
    assert run.sent.index(TOLD) < run.sent.index(ERASE)


def test_a_chip_that_needs_nothing_is_told_nothing(image: str) -> None:
    run = do("program", wish(image, changed_only=True), holds=DATA + OLD[SIZE:])
    assert run.error is None
    assert TOLD not in run.sent


@pytest.mark.parametrize("volts", [0.0, 1.8, 2.69, 3.61, 5.0, float("nan")])
def test_a_supply_outside_what_is_documented_is_refused_and_nothing_is_touched(image: str, volts: float) -> None:
    run = do("program", wish(image, volts, erase_all=True))
    assert isinstance(run.error, UsageTrouble)
    assert "2.7 to 3.6 V" in run.error.message
    assert "leave --supply-volts out" in run.error.help
    assert ERASE not in run.sent
    assert b"\x31\xce" not in run.sent
    assert run.target.memory.read(FLASH, len(OLD)) == OLD


def test_a_chip_without_the_byte_is_refused_before_its_protection_is_lifted(image: str) -> None:
    # AN2606 Rev 70 Table 4 names F2, F4 and F7 only
    chip = Simulated(loader_version=0x31, readout_protected=True, flash_size=SMALL.flash_size)
    run = do("program", wish(image, lift_protection=0x410, chip_file=None), chip)
    assert isinstance(run.error, UsageTrouble)
    assert "no place to state the supply voltage" in run.error.message
    assert run.target.protected
    assert run.target.memory.read(FLASH, chip.flash_size) == OLD[: chip.flash_size]


def test_a_loader_that_refuses_the_byte_is_left_as_it_is(image: str) -> None:
    run = do("program", wish(image), replace(SMALL, voltage_byte=False))
    assert isinstance(run.error, TargetTrouble)
    assert "nothing was erased" in run.error.message
    assert ERASE not in run.sent
    assert run.target.memory.read(FLASH, len(OLD)) == OLD


def test_a_loader_that_forgets_what_it_was_told_still_gets_its_time(image: str) -> None:
    # DS8626 Rev 12 Table 40, x8: 4 s at most for 128 KB, 100 us for a byte; nothing is faster after the statement
    run = do("program", wish(image), replace(SMALL, page_erase_s=4.0, program_word_s=4e-4, by_words=None))
    assert run.error is None
    state = run.fold.snapshot().programming
    assert state is not None
    assert state.repeated == 0


def test_a_spoiled_statement_is_repeated(image: str) -> None:
    job, front = wish(image), Told()
    target = Target(SMALL)
    link = ChipLink(target)
    body = TASKS["program"](job)
    seen: list[Event] = []

    def spoil(n: int, byte: int) -> int:
        # the last byte of the first statement, whose checksum then does not fit
        first = b"".join(e.data for e in seen if isinstance(e, Chunk) and e.direction == "out").find(TOLD)
        return byte ^ 0x40 if first >= 0 and n == first + len(TOLD) - 1 else byte

    link.spoiler.out = spoil

    async def run() -> None:
        async with Session(link, protocols.load("an3155"), clock=link.clock, sinks=[seen.append]) as session:
            await perform(session, job, body, front, {})

    warp(run())
    assert target.voltage_range == 3
    assert target.memory.read(FLASH, SIZE) == DATA


def test_the_times_of_the_table_are_those_of_the_datasheets() -> None:
    # maxima at x32: DS8626 Rev 12 Table 40, DS6329 Rev 18 Table 38, DS9405 Rev 13 Table 48 (2 s for 128 KB, 16 s for
    # all), DS10916 Rev 5 Table 49 (2 s, 8 s), DS9716 Rev 11 Table 45 and DS10086, DS10314 Rev 5, 8 Table 45 (4 s, 8 s
    # for all); 64 operations of 100 us; DS10693 Rev 11 Table 48 prints 16 s for all
    wanted = {
        "F2x": (2.0, 16.0),
        "F40x/41x": (2.0, 16.0),
        "F42x/43x": (2.0, 16.0),
        "F401xB-C": (4.0, 4.0),
        "F401xD-E": (4.0, 8.0),
        "F411": (4.0, 8.0),
        "F446": (4.0, 16.0),
        "F74x/75x": (2.0, 8.0),
    }
    found = {}
    for chip in packaged():
        fast = chip.working_by_words()
        if "programs-bytewise" in chip.oddities:
            found[chip.name] = (fast.page_erase_s, fast.mass_erase_s)
            assert fast.program_s == pytest.approx(64 * 100e-6)
        else:
            assert fast == chip
    assert found == wanted


def test_the_chips_that_say_so_are_those_whose_loader_can_be_told() -> None:
    family = protocols.load("an3155")
    assert family.programmer is not None
    for chip in packaged():
        offers = [bool(family.programmer(Identity(product_id=p, commands=NAMES)).supplies) for p in chip.product_ids]
        assert offers == ["programs-bytewise" in chip.oddities] * len(offers), chip.name


def test_an_outlook_with_the_statement_is_shorter() -> None:
    family = protocols.load("an3155")
    assert family.programmer is not None
    programmer = family.programmer(Identity(product_id=0x413, commands=NAMES))
    plan = erase_plan(find_chip("0x413"), (5,), programmer)
    from console.programming.supply import supply_step

    told = replace(plan, supply=supply_step(3.3, plan.chip, programmer))
    slow, fast = (outlook(each, programmer, 11 / 115200) for each in (plan, told))
    # DS8626 Rev 12 Table 40: 128 KB at most 4 s at x8, 2 s at x32; the statement is 13 characters of both directions
    assert slow.erase_s - fast.erase_s == pytest.approx(2.0 - 13 * 11 / 115200)
