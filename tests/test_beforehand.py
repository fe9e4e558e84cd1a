"""What can be known of a job is said before anything on the chip changes, and before it is read for nothing.

Over a real port to a bench in its own process. That a protected chip was not erased shows in that it is still
protected: Readout Unprotect erases the flash when it lifts the protection (AN3155 Rev 20, Readout Unprotect command).
"""

from __future__ import annotations

import asyncio
import os
import random
import struct
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

import pytest

from console import cli
from console.bench.client import SimulatedBench
from console.record.backup import Backup, save_backup
from tests.firmware import intel_hex
from tests.terminal import on_terminal
from tests.test_commands import check_contract, wakeline

FLASH = 0x0800_0000
AT = ("--address", "0x08000000")
LIFT = ("--lift-protection", "0x410")
FIRMWARE = bytearray(random.Random(5).randbytes(3500))
FIRMWARE[:8] = struct.pack("<II", 0x2000_5000, 0x0800_0101)  # DDI 0403: stack pointer, reset vector with its thumb bit
OTHER = bytearray(random.Random(6).randbytes(3000))
OTHER[:8] = FIRMWARE[:8]
Reported = Callable[..., Awaitable[tuple[int, dict[str, Any]]]]


@pytest.fixture
def reported(capsys: pytest.CaptureFixture[str]) -> Reported:
    """A command in this process: exit code and JSON object."""

    async def run(*words: str | Path) -> tuple[int, dict[str, Any]]:
        code = await asyncio.to_thread(cli.run, [*map(str, words), "--listen", "0", "--json"])
        out, err = capsys.readouterr()
        assert err == ""
        return code, check_contract(out)

    return run


@pytest.fixture
async def board() -> AsyncIterator[SimulatedBench]:
    """A good board, as fast as it goes."""
    async with SimulatedBench() as bench:
        await bench.start(paced=False)
        yield bench


@pytest.fixture
async def locked() -> AsyncIterator[SimulatedBench]:
    """One whose chip is protected."""
    async with SimulatedBench() as bench:
        await bench.start(fault="readout-protected", paced=False)
        yield bench


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The working folder, with the files that the commands name."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "fw.bin").write_bytes(FIRMWARE)
    (tmp_path / "other.bin").write_bytes(OTHER)
    # DS5319 Rev 20 Table 28: the largest of these chips has 128 KB
    (tmp_path / "large.hex").write_text(intel_hex([(FLASH, bytes(FIRMWARE)), (FLASH + 0x1_FF00, bytes(0x200))]))
    save_backup(tmp_path / "f40x.bin", Backup(FLASH, b"theirs", 0x413, "F40x"))
    save_backup(tmp_path / "board.bin", Backup(FLASH, bytes(FIRMWARE), 0x410, "F10x medium density", "0a" * 12))
    return tmp_path


async def still_locked(reported: Reported, port: str) -> bool:
    """Whether the chip is as protected as it was, and so not erased."""
    code, found = await reported("handshake", port)
    assert code == 0
    return found["target"]["readout_protected"] is True


REFUSED: list[tuple[list[str], int, str]] = [
    (["program", "PORT", "large.hex", *LIFT], 7, "image-fit"),
    (["program", "PORT", "fw.bin", *AT, "--lift-protection", "0x411"], 4, "wrong-chip"),
    (["program", "PORT", "fw.bin", *AT, "--keep-neighbours", "--backup", "nodir/x", *LIFT], 7, "output"),
    (["program", "PORT", "fw.bin", *AT, "--no-erase", *LIFT], 2, "usage"),
    (["program", "PORT", "fw.bin", *AT, "--lift-protection"], 2, "consent"),
    (["restore", "PORT", "f40x.bin", "--yes", *LIFT], 4, "wrong-chip"),
    (["restore", "PORT", "board.bin", "--yes", *LIFT], 4, "protected"),
    (["erase", "PORT", "--pages", "500", "--consent", "0x410", *LIFT], 2, "usage"),
    (["erase", "PORT", "--pages", "5", "--consent", "0x999", *LIFT], 4, "wrong-chip"),
]


async def test_nothing_is_lifted_for_a_job_that_cannot_be_done(locked: SimulatedBench, reported: Reported) -> None:
    for words, code, key in REFUSED:
        got, found = await reported(*(locked.port if word == "PORT" else word for word in words))
        assert (got, found["error"]["code"]) == (code, key), words
        assert "lift protection" not in [stage["name"] for stage in found["stages"]], words
    assert await still_locked(reported, locked.port)
    # and once nothing stands against it, the same id lifts
    code, found = await reported("restore", locked.port, "board.bin", "--yes", "--other-board", *LIFT)
    assert (code, found["outcome"], found["lifted"]) == (0, "ok", True)
    assert (await reported("compare", locked.port, "fw.bin", *AT))[0] == 0


async def test_a_plan_alone_lifts_nothing_and_says_what_lifting_would_do(
    locked: SimulatedBench, reported: Reported
) -> None:
    words = ("program", locked.port, "fw.bin", *AT, "--plan")
    code, out, err = await wakeline(*words, *LIFT, "--listen", "0")
    assert (code, err) == (0, "")
    for part in (
        "the chip is protected: nothing on it can be read",
        "lifting the readout protection erases everything on the chip, for good",
        "erase: 4 pages (0-3)",
        "nothing was changed",
    ):
        assert part in out
    assert await still_locked(reported, locked.port)
    assert (await reported(*words))[1]["error"]["code"] == "protected"
    assert (await reported(*words, "--lift-protection", "0x411"))[1]["error"]["code"] == "wrong-chip"
    code, found = await reported(*words, "--lift-protection")
    assert (code, any("write: 3500 bytes" in line for line in found["plan"])) == (0, True)
    assert await still_locked(reported, locked.port)


async def test_words_of_lifting_come_only_when_it_is_done(locked: SimulatedBench) -> None:
    words = ("program", locked.port, "fw.bin", *AT, "--listen", "0", "--lift-protection")
    code, out, err = await wakeline(*words, "0x411")
    assert (code, "lifting" in out) == (4, False)
    assert "the consent is for 0x411, this chip says 0x410" in err
    code, out, _ = await wakeline(*words, "0x410")
    assert (code, "lifting the readout protection, which erases everything on the chip" in out) == (0, True)


async def test_what_may_be_larger_than_the_chip_is_said_before_it_is_lifted(
    locked: SimulatedBench, folder: Path
) -> None:
    # DS5319 Rev 20 Table 2: medium density has 64 or 128 KB, and the size cannot be read of a protected chip
    (folder / "middle.hex").write_text(intel_hex([(FLASH, bytes(FIRMWARE)), (FLASH + 0x1_8000, bytes(0x100))]))
    code, out, _ = await wakeline("program", locked.port, "middle.hex", *LIFT, "--listen", "0")
    assert code == 0
    assert out.index("has only 64 KiB: look at the full type on the chip") < out.index("lifting the readout")


async def test_erasing_everything_wants_the_id_and_says_all_that_is_lost(
    board: SimulatedBench, reported: Reported, folder: Path
) -> None:
    (folder / "far.bin").write_bytes(bytes(range(100, 150)) + b"\0")
    far = ("far.bin", "--address", "0x0801F000")
    assert (await reported("program", board.port, *far))[0] == 0
    for command in ("program", "update"):
        words = (command, board.port, "fw.bin", *AT, "--erase-all")
        yes = () if command == "program" else ("--yes",)
        # nobody to ask: no handshake
        code, found = await reported(*words, *yes)
        assert (code, found["error"]["code"], found["stages"]) == (2, "consent", [])
        assert "--consent" in found["error"]["help"]
        code, found = await reported(*words, *yes, "--consent", "0x412")
        assert (code, found["error"]["code"]) == (4, "wrong-chip")
        # with what excludes it: neither
        if command == "program":
            code, found = await reported(*words, "--keep-neighbours", "--consent", "0x410")
            assert (code, found["error"]["code"], found["stages"]) == (2, "usage", [])
            assert "--keep-neighbours" in found["error"]["help"]
        assert (await reported("compare", board.port, *far))[0] == 0
    code, found = await reported("program", board.port, "fw.bin", *AT, "--erase-all", "--plan")
    # 3500 bytes of image in 131072 of flash (DS5319 Rev 20 Table 28)
    lost = "erase: everything on the chip, also beside the image: 0x08000DAC-0x0801FFFF (127572 bytes)"
    assert (code, lost in found["plan"]) == (0, True)
    assert not any("keep-neighbours" in line for line in found["plan"])
    assert (await reported("compare", board.port, *far))[0] == 0
    code, found = await reported("program", board.port, "fw.bin", *AT, "--erase-all", "--consent", "0x410")
    assert (code, found["outcome"], lost in found["plan"]) == (0, "ok", True)
    assert (await reported("compare", board.port, *far))[0] == 5


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo terminals")
@pytest.mark.parametrize(("answer", "code"), [(b"yes\n", 8), (b"0x410\n", 0)])
async def test_on_a_terminal_the_id_is_typed(answer: bytes, code: int, board: SimulatedBench) -> None:
    words = ("program", board.port, "fw.bin", *AT, "--erase-all", "--listen", "0")
    ended, shown = await on_terminal(*words, question=b"Type 0x410 to go on: ", answer=answer)
    assert ended == code
    assert (b"nothing was changed" in shown) == (code == 8)


@pytest.mark.parametrize(
    ("words", "code", "key"),
    [
        (["update", "PORT", "fw.bin", *AT, "--yes", "--backup", "nodir/x"], 7, "output"),
        (["update", "PORT", "fw.bin", *AT, "--yes", "--backup", "fw.bin"], 7, "output-exists"),
        (["update", "PORT", "fw.bin", *AT, "--yes", "--backup", "x" * 252], 7, "output"),  # its .toml has 257: too long
        (["update", "PORT", "fw.bin", *AT, "--yes", "--backup", "fw.bin", "--resume"], 7, "backup"),
        (["read", "PORT", "-o", "nodir/x"], 7, "output"),
        (["read", "PORT", "-o", "."], 7, "output"),
        (["read", "PORT", "-o", ".", "--overwrite"], 7, "output"),
        (["read", "PORT", "-o", "fw.bin"], 7, "output-exists"),
        (["read", "PORT", "-o", "x.bin", "--record", "./x.bin", "--overwrite"], 2, "usage"),
        (["program", "PORT", "fw.bin", *AT, "--record", "fw.bin", "--overwrite"], 2, "usage"),
        (["program", "PORT", "fw.bin", *AT, "--chip", "nosuch"], 2, "chip"),
        (["program", "PORT", "fw.bin", *AT, "--chip-file", "nosuch.toml"], 7, "chips"),
        (["program", "PORT", "fw.bin", *AT, "--erase-all", "--changed-only"], 2, "usage"),
    ],
    ids=lambda value: " ".join(value)[:60] if isinstance(value, list) else None,
)
async def test_what_files_and_options_say_costs_no_port(
    words: list[str], code: int, key: str, folder: Path, reported: Reported
) -> None:
    before = sorted(os.listdir(folder))
    got, found = await reported(*("no-such-port" if word == "PORT" else word for word in words))
    assert (got, found["error"]["code"]) == (code, key)
    assert found["error"]["help"]
    assert sorted(os.listdir(folder)) == before


async def test_a_length_beyond_the_flash_is_told_with_its_end_before_a_byte_is_read(
    board: SimulatedBench, reported: Reported
) -> None:
    # DS5319 Rev 20 Table 28: 128 KB from 0x08000000
    for where in (("--length", "0x30000"), ("--address", "0x0801FFFF", "--length", "2")):
        code, found = await reported("read", board.port, "-o", "x.bin", *where)
        assert (code, found["error"]["code"]) == (2, "usage")
        assert "0x0801FFFF" in found["error"]["message"]
        assert "read" not in [stage["name"] for stage in found["stages"]]
    code, found = await reported("read", board.port, "-o", "x.bin", "--address", "0x60000000", "--length", "4")
    assert (code, "0x60000000-0x60000003" in found["error"]["message"]) == (4, True)


async def test_another_chip_is_told_with_the_option_that_named_it(
    board: SimulatedBench, reported: Reported, folder: Path
) -> None:
    code, found = await reported("program", board.port, "fw.bin", *AT, "--chip", "0x412")
    assert (code, found["error"]["help"]) == (4, "look at the type on the chip, or leave --chip out")
    (folder / "own.toml").write_text(OWN)
    code, found = await reported("program", board.port, "fw.bin", *AT, "--chip-file", "own.toml")
    assert (code, found["error"]["help"]) == (4, "look at the type on the chip, or leave --chip-file out")


OWN = """
[[chip]]
product_ids = [0x499]
name = "one of our own"
flash_start = 0x0800_0000
pages = [{ count = 128, size = 0x400 }]
unit = "page"
granule = 4
ram = [{ start = 0x2000_0000, size = 0x5000 }]
loader_ram = [{ start = 0x2000_0000, size = 0x200 }]
page_erase_s = 0.04
program_s = 0.009
source = "invented"
"""


async def test_the_same_command_line_with_resume_records_beside_the_first_record(
    board: SimulatedBench, reported: Reported, folder: Path
) -> None:
    words = ("program", board.port, "fw.bin", *AT, "--record", "run.pcapng")
    assert (await reported(*words))[0] == 0
    first = (folder / "run.pcapng").read_bytes()
    code, found = await reported(*words, "--resume")
    assert (code, found["record"]) == (0, "run-2.pcapng")
    code, out, _ = await wakeline(*words, "--resume", "--listen", "0")
    assert (code, "recorded in run-3.pcapng: run.pcapng is there already and stays as it is" in out) == (0, True)
    assert (folder / "run.pcapng").read_bytes() == first
    code, out, _ = await wakeline("replay", "run-3.pcapng")
    assert (code, "program: nothing had to be changed; proven by reading back" in out) == (0, True)
    # whoever wants it written over says so, and whoever begins anew is told that it is there
    code, found = await reported(*words, "--resume", "--overwrite")
    assert (code, "record" in found) == (0, False)
    code, found = await reported(*words)
    assert (code, found["error"]["code"]) == (7, "record-exists")
