"""A run cut off anywhere and resumed: image and neighbours are right, and the first backup keeps its part.

The chip is `target.py` with eight small sectors (see `test_supply`), with and without a number of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

import protocols
from console.errors import InputTrouble, PortTrouble, Stopped, WakelineError
from console.images.image import Span
from console.record.backup import load_backup
from console.record.unfinished import load_note, note_of
from console.session.session import Session
from console.tasks.catalogue import TASKS
from console.tasks.job import Job
from console.tasks.on_chip import perform
from protocols.an3155.target import Target
from protocols.errors import ProtocolError
from tests.chip_link import ChipLink, Spoiler, warp
from tests.console.programming.conftest import FLASH
from tests.console.programming.test_supply import CHIP, DATA, OLD, SMALL, Told

NUMBER = 0x1FFF_F7E8
SIZE = SMALL.flash_size
PART_AT = 0x900  # in the second sector
PART = bytes(range(1, 251)) * 10  # into the third


@dataclass
class Run:
    """How a task ended (False: the chip did not wake up), what was said, and what it left in the JSON object."""

    done: Exception | bool
    said: str
    more: dict[str, Any]


@dataclass
class Board:
    """One board, and whatever is done to it in the folder it is in."""

    target: Target = field(default_factory=lambda: Target(SMALL))

    def do(self, task: str, cut_at: int | None = None, **wishes: Any) -> Run:
        """`cut_at`: the adapter goes when that many bytes have reached the chip."""
        mine = {"chip_file": "chip.toml", "image": "tern.bin", "address": FLASH, "listen": 0, "yes": True}
        job = Job(**(mine | wishes))
        front, more = Told(), {}
        if not job.resume:
            self.target.reset()  # it may wait for half a command
        link = ChipLink(self.target, None if cut_at is None else Spoiler(at_out={cut_at: "vanish"}))

        async def main() -> Exception | bool:
            async with Session(link, protocols.load("an3155"), clock=link.clock) as session:
                try:
                    return await perform(session, job, TASKS[task](job), front, more) is not None
                except (WakelineError, ProtocolError) as error:
                    return error

        return Run(warp(main()), "\n".join(front.lines), more)

    @property
    def flash(self) -> bytes:
        return self.target.memory.read(FLASH, SIZE)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tern.bin").write_bytes(DATA)
    (tmp_path / "part.bin").write_bytes(PART)
    (tmp_path / "chip.toml").write_text(CHIP + f"unique_id_address = 0x{NUMBER:08X}\n")
    return tmp_path


def board_with(number: bytes = b"", old: bytes = OLD) -> Board:
    made = Board()
    made.target.memory.load(FLASH, old)
    if number:
        made.target.memory.load(NUMBER, number)
    return made


def backups(folder: Path) -> list[Path]:
    return [path for path in folder.glob("*.bin") if path.name not in ("tern.bin", "part.bin")]


UPDATED = DATA + OLD[len(DATA) :]
PARTED = OLD[:PART_AT] + PART + OLD[PART_AT + len(PART) :]
PART_JOB: dict[str, Any] = {"image": "part.bin", "address": FLASH + PART_AT}
RUNS: dict[str, tuple[str, dict[str, Any], dict[str, Any], bytes]] = {
    "update": ("update", {}, {}, UPDATED),
    "update into a named backup": ("update", {"backup": "mine.bin"}, {}, UPDATED),
    "program": ("program", {"keep_neighbours": True, **PART_JOB}, {"keep_neighbours": True, **PART_JOB}, PARTED),
    "program, resumed by --resume alone": ("program", {"keep_neighbours": True, **PART_JOB}, PART_JOB, PARTED),
}


@pytest.mark.parametrize(("at", "again"), [(0.35, 9), (0.5, 0.05), (0.6, 0.2), (0.91, 9)])
@pytest.mark.parametrize("name", RUNS)
def test_a_resume_brings_back_what_was_beside_the_image(folder: Path, name: str, at: float, again: float) -> None:
    number = bytes(range(12)) if int(at * 100) % 2 else b""
    task, wishes, keep, wanted = RUNS[name]
    whole = 5000  # about what goes out in a run that is not cut off
    board = board_with(number)
    assert isinstance(board.do(task, cut_at=int(at * whole), **wishes).done, PortTrouble)
    noted = {path: path.read_bytes() for path in backups(folder) if note_of(path).exists()}
    run = board.do(task, cut_at=int(again * whole), resume=True, **keep)
    if run.done is not True:  # cut off a second time
        run = board.do(task, resume=True, **keep)
    assert run.done is True
    assert board.flash == wanted
    assert not any(note_of(path).exists() for path in noted)
    for path, first in noted.items():
        assert backups(folder) == [path]
        assert path.read_bytes() == first == OLD[load_backup(path).address - FLASH :][: len(first)]
        assert f"what was there before the cut is in {path.name}" in run.said
        assert ("make sure" in run.said) == (not number)
        assert run.more["backup"] == path.name


def cut_in_the_writes(board: Board, task: str = "update", at: int = 3000, **wishes: Any) -> Run:
    """A run that is cut off when all is erased and some is written."""
    run = board.do(task, cut_at=at, **wishes)
    assert isinstance(run.done, PortTrouble)
    assert b"\xff" * 64 in board.flash
    return run


def test_without_the_first_backup_what_may_be_lost_is_said_and_its_file_brings_it_back(folder: Path) -> None:
    board = board_with()
    (folder / "elsewhere").mkdir()
    first = folder / "elsewhere" / "first.bin"
    cut_in_the_writes(board, backup=str(first))
    run = board.do("update", resume=True)
    assert run.done is True
    assert any("0x08000FA0-0x08000FFF" in words and "--backup FILE" in words for words in run.more["warnings"])
    (left,) = backups(folder)
    assert "after-cut" in left.name
    assert "it is not what was there before the cut" in run.said
    assert "brings it back" not in run.said
    assert first.read_bytes() == OLD
    run = board.do("update", resume=True, backup=str(first))
    assert run.done is True
    assert board.flash == UPDATED
    assert first.read_bytes() == OLD


def test_nothing_is_said_of_neighbours_that_nobody_wanted(folder: Path) -> None:
    board = board_with()
    cut_in_the_writes(board, "program")
    run = board.do("program", resume=True)
    assert run.done is True
    assert run.more["warnings"] == []
    assert backups(folder) == []


@pytest.mark.parametrize("numbers", [(bytes(12), b"\1" * 12), (b"", b"")])
def test_the_backup_of_another_board_is_left_alone(folder: Path, numbers: tuple[bytes, bytes]) -> None:
    cut_in_the_writes(board_with(numbers[0]))
    (first,) = backups(folder)
    other = board_with(numbers[1], old=bytes(byte ^ 0x5A for byte in OLD))
    cut_in_the_writes(other, no_backup=True)
    run = other.do("update", resume=True, no_backup=True)
    assert run.done is True
    assert "before the cut is in" not in run.said
    assert note_of(first).exists()
    assert other.flash[len(DATA) : 4096] == b"\xff" * (4096 - len(DATA))  # nobody has it any more
    run = other.do("update", resume=True, backup=str(first))
    if numbers[0]:
        assert isinstance(run.done, InputTrouble)
        assert "of another board" in run.done.message


def test_a_run_that_begins_anew_and_ends_well_takes_the_notes_of_its_board_along(folder: Path) -> None:
    board = board_with(bytes(range(12)))
    cut_in_the_writes(board)
    (first,) = backups(folder)
    assert load_note(first).keeps == (Span(FLASH, 0x800), Span(FLASH + 0x800, 0x800))
    assert board.do("update", backup="second.bin").done is True
    assert not note_of(first).exists()
    assert not note_of(folder / "second.bin").exists()


def test_a_run_that_begins_anew_is_told_and_takes_no_part_of_the_first_backups_role(folder: Path) -> None:
    board = board_with(bytes(range(12)))
    cut_in_the_writes(board, backup="first.bin")
    run = cut_in_the_writes(board, at=1700, backup="second.bin")
    (told,) = [words for words in run.more["warnings"] if "was cut off on this board" in words]
    assert "first.bin" in told
    assert "--resume" in told
    # a run elsewhere on the chip, cut off too, has a backup of its own
    part = {"image": "part.bin", "address": FLASH + 0x2100, "backup": "third.bin"}
    cut_in_the_writes(board, "program", at=1500, keep_neighbours=True, **part)
    run = board.do("update", resume=True)
    assert "first.bin (saved before the update of tern.bin that began" in run.said
    assert board.do("program", resume=True, **(part | {"backup": None})).done is True
    assert board.flash == UPDATED[:0x2100] + PART + OLD[0x2100 + len(PART) :]


def test_a_restore_ends_the_run_that_was_cut_off(folder: Path) -> None:
    board = board_with()
    cut_in_the_writes(board)
    (first,) = backups(folder)
    run = board.do("restore", backup=str(first), image="", resume=True)
    assert run.done is True
    assert board.flash == OLD
    assert not note_of(first).exists()


def test_a_run_that_is_not_agreed_to_leaves_no_note(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def no(self: Told, question: str, wanted: str, option: str) -> bool:
        return False

    monkeypatch.setattr(Told, "ask", no)
    assert isinstance(board_with().do("update", yes=False).done, Stopped)
    (backup,) = backups(folder)
    assert not note_of(backup).exists()


def test_a_resumed_update_tells_the_version_before_the_cut(folder: Path) -> None:
    board = board_with(old=OLD[:0x100] + b"tern 1.4.2\0" + OLD[0x10B:])
    (folder / "tern.bin").write_bytes(DATA[:0x100] + b"tern 1.5.0\0" + DATA[0x10B:])
    cut_in_the_writes(board, version_at=(FLASH + 0x100, 16))
    run = board.do("update", resume=True, version_at=(FLASH + 0x100, 16))
    assert run.done is True
    assert "version on the chip before the cut: tern 1.4.2" in run.said


def test_a_spoiled_note_is_no_note_and_a_spoiled_backup_is_said(folder: Path) -> None:
    board = board_with()
    cut_in_the_writes(board)
    (first,) = backups(folder)
    first.write_bytes(OLD[:-1] + b"\0")
    run = board.do("update", resume=True, cut_at=2000)
    assert "not those that were saved" in run.said
    assert "no note of a run" in run.said
    note_of(first).write_bytes(b"[")
    run = board.do("update", resume=True)
    assert run.done is True
