"""Nothing of a chip's memory changes for a job that cannot be done, nor for a plan alone; a cut run's backup is taken.

The chip is `target.py`, whose memory can be looked at although it is protected. Readout Unprotect erases all of it
(AN3155 Rev 20, Readout Unprotect command: 92 6D). Files: DS5319 Rev 20 Table 28 (1 KB pages, 128 KB).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

import protocols
from console.errors import InputTrouble, PortTrouble, Stopped, TargetTrouble, UsageTrouble, WakelineError
from console.events import Chunk, Event
from console.record.backup import Backup, load_backup, save_backup
from console.session.session import Session
from console.tasks.catalogue import TASKS
from console.tasks.job import Job
from console.tasks.on_chip import perform
from protocols.an3155.chip import Chip as Simulated
from protocols.an3155.target import Target
from tests.chip_link import ChipLink, Spoiler, warp
from tests.console.programming.conftest import FLASH, make_image
from tests.console.programming.test_supply import Told

FREE = Simulated(flash_size=64 * 1024)
LOCKED = replace(FREE, readout_protected=True)
THEIRS = bytes((n * 11 + 5) & 0xFF for n in range(FREE.flash_size))
# stack and entry as the layout check wants them: DDI 0403, the vector table
IMAGE = bytes.fromhex("00 50 00 20 01 01 00 08") + make_image(3000).segments[0].data[8:]
UNPROTECT = bytes.fromhex("92 6D")


@dataclass
class Front(Told):
    """Answers in turn; then yes."""

    answers: list[bool] = field(default_factory=list)
    wanted: list[str] = field(default_factory=list)

    async def ask(self, question: str, wanted: str, option: str) -> bool:
        self.asked.append(question)
        self.wanted.append(wanted)
        return self.answers.pop(0) if self.answers else True


@dataclass
class Run:
    """How a task went: the error, what was said, what was sent."""

    target: Target
    front: Front
    more: dict[str, Any]
    sent: bytes
    error: WakelineError | None

    @property
    def untouched(self) -> bool:
        return self.target.memory.read(FLASH, len(THEIRS)) == THEIRS and UNPROTECT not in self.sent


def do(task: str, job: Job, target: Target, front: Front | None = None, spoiler: Spoiler | None = None) -> Run:
    front, more, events = front or Front(), {}, list[Event]()
    link, body = ChipLink(target, spoiler), TASKS[task](job)

    async def main() -> WakelineError | None:
        async with Session(link, protocols.load("an3155"), clock=link.clock, sinks=[events.append]) as session:
            try:
                await perform(session, job, body, front, more)
            except WakelineError as error:
                return error
            return None

    error = warp(main())
    sent = b"".join(each.data for each in events if isinstance(each, Chunk) and each.direction == "out")
    return Run(target, front, more, sent, error)


def chip(model: Simulated) -> Target:
    target = Target(model)
    target.memory.load(FLASH, THEIRS)
    target.memory.load(0x1FFF_F7E0, (64).to_bytes(2, "little"))  # the size in KiB: RM0008 s.30.1.1, from memory
    return target


@pytest.fixture
def image(tmp_path: Path) -> Job:
    path = tmp_path / "tern.bin"
    path.write_bytes(IMAGE)
    return Job(image=str(path), address=FLASH, listen=0, yes=True)


@pytest.fixture
def backups(tmp_path: Path) -> Path:
    save_backup(tmp_path / "other.bin", Backup(FLASH, b"theirs", 0x413, "another"))
    save_backup(tmp_path / "unique.bin", Backup(FLASH, b"mine", 0x410, "F10x medium density", "0b" * 12))
    return tmp_path


@pytest.mark.parametrize(
    ("task", "wishes", "kind"),
    [
        ("program", {"address": 0x0801_FF00}, InputTrouble),
        ("program", {"lift_protection": 0x411}, TargetTrouble),
        ("program", {"lift_protection": True, "consent": 1}, TargetTrouble),  # 1 is no yes
        ("program", {"ranges": [(0x0801_0000, 4)]}, UsageTrouble),
        ("restore", {"backup": "other.bin"}, TargetTrouble),
        ("restore", {"backup": "unique.bin"}, TargetTrouble),
        ("erase", {"pages": (128,)}, UsageTrouble),
        ("erase", {"pages": (1,), "consent": 0x999}, TargetTrouble),
        ("update", {"lift_protection": None, "no_backup": True}, TargetTrouble),
    ],
)
def test_a_protected_chip_keeps_everything_where_the_job_cannot_be_done(
    task: str, wishes: dict[str, Any], kind: type[WakelineError], image: Job, backups: Path
) -> None:
    if "backup" in wishes:
        wishes = {**wishes, "backup": str(backups / wishes["backup"])}
    run = do(task, replace(image, **{"lift_protection": 0x410, **wishes}), chip(LOCKED))
    assert isinstance(run.error, kind)
    assert run.untouched
    assert run.target.protected
    assert not any("lifting" in line for line in run.front.lines)


@pytest.mark.parametrize("lift", [0x410, True])
def test_a_plan_alone_leaves_a_protected_chip_as_it_is(lift: int | bool, image: Job) -> None:
    run = do("program", replace(image, plan=True, lift_protection=lift), chip(LOCKED))
    assert run.error is None
    assert run.untouched
    assert run.target.protected
    assert run.front.asked == []
    assert "erase: 3 pages (0-2)" in run.more["plan"]


def test_what_will_be_done_is_told_before_the_id_is_asked_for(image: Job) -> None:
    front = Front(answers=[False])
    run = do("program", replace(image, lift_protection=True, yes=False), chip(LOCKED), front)
    assert isinstance(run.error, Stopped)
    assert "nothing was changed" in run.error.message
    assert run.untouched
    assert front.wanted == ["0x410"]
    assert "write: 3000 bytes in 12 blocks, blank ones left out" in front.lines


def test_a_no_after_the_protection_was_lifted_is_not_told_as_nothing(image: Job) -> None:
    front = Front(answers=[True, False])
    run = do("program", replace(image, lift_protection=True, yes=False), chip(LOCKED), front)
    assert isinstance(run.error, Stopped)
    assert run.error.message == "not confirmed; the protection was lifted, which erased the chip"
    assert run.target.memory.read(FLASH, len(THEIRS)) == b"\xff" * len(THEIRS)


def test_who_typed_the_id_to_lift_is_not_asked_for_it_again(image: Job) -> None:
    run = do("erase", replace(image, everything=True, lift_protection=True), chip(LOCKED))
    assert run.error is None
    assert run.front.wanted == ["0x410"]
    run = do("program", replace(image, erase_all=True, lift_protection=0x410), chip(LOCKED))
    assert run.error is None
    assert run.front.wanted == []


@pytest.mark.parametrize("task", ["program", "update"])
def test_everything_is_erased_only_with_the_chips_own_id_whatever_else_was_agreed_to(task: str, image: Job) -> None:
    job = replace(image, erase_all=True, no_backup=True)
    front = Front(answers=[False])
    run = do(task, job, chip(FREE), front)
    assert isinstance(run.error, Stopped)
    assert front.wanted == ["0x410"]
    assert run.untouched
    run = do(task, replace(job, consent=0x410), chip(FREE))
    assert (run.error, run.front.asked) == (None, [])
    assert run.target.memory.read(FLASH, len(THEIRS)) == IMAGE.ljust(len(THEIRS), b"\xff")


def test_a_mass_erase_that_was_cut_off_begins_anew(image: Job) -> None:
    run = do("program", replace(image, erase_all=True, consent=0x410, resume=True), chip(FREE))
    assert run.error is None
    assert run.target.memory.read(FLASH, len(THEIRS)) == IMAGE.ljust(len(THEIRS), b"\xff")


def test_a_length_is_held_against_the_flash_that_the_chip_has(image: Job, tmp_path: Path) -> None:
    job = replace(image, output=str(tmp_path / "out.bin"), length=FREE.flash_size + 1)
    run = do("read", job, chip(FREE))
    assert isinstance(run.error, UsageTrouble)
    assert "ends at 0x0800FFFF" in run.error.message
    assert run.error.help == "check --length; up to its end it is 65536"
    assert not (tmp_path / "out.bin").exists()


def test_a_resumed_program_takes_the_backup_of_the_run_that_was_cut_off(image: Job, tmp_path: Path) -> None:
    # 17 pages, something beside the image on the first and on the last: two erase commands, and the cut between them
    # leaves less to save than there was
    data, at = make_image(16 * 1024).segments[0].data, FLASH + 0x200
    Path(image.image).write_bytes(data)
    saved = tmp_path / "kept.bin"
    job = replace(image, address=at, keep_neighbours=True, backup=str(saved))
    whole = do("program", replace(job, backup=str(tmp_path / "whole.bin")), chip(FREE)).sent
    erase = b"\x43\xbc"  # AN3155 Rev 20, Erase Memory command
    second = whole.index(erase, whole.index(erase) + 2)
    target = chip(FREE)
    run = do("program", job, target, spoiler=Spoiler(at_out={second: "vanish"}))
    assert isinstance(run.error, PortTrouble)
    assert load_backup(saved).data == THEIRS[: 17 * 1024]
    assert target.memory.read(FLASH + 16 * 1024, 1024) == THEIRS[16 * 1024 : 17 * 1024]
    assert target.memory.read(FLASH, 1024) == b"\xff" * 1024
    first = saved.read_bytes()
    target.reset()
    run = do("program", replace(job, resume=True), target)
    assert run.error is None
    assert target.memory.read(FLASH, 17 * 1024) == THEIRS[:0x200] + data + THEIRS[0x200 + len(data) : 17 * 1024]
    assert saved.read_bytes() == first
    assert [each.name for each in sorted(tmp_path.glob("kept*.bin"))] == ["kept.bin"]
