"""The commands that program, over a real port to a bench in its own process: exit codes, JSON, words, files."""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
import struct
import sys
import tomllib
from collections.abc import AsyncIterator, Awaitable, Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from console import cli
from console.bench.client import SimulatedBench
from protocols.an3155 import realign
from tests.terminal import on_terminal
from tests.test_commands import ROOT, check_contract, wakeline

AT = ("--address", "0x08000000")


@pytest.fixture
async def board() -> AsyncIterator[SimulatedBench]:
    """A good board, as fast as it goes."""
    async with SimulatedBench() as bench:
        await bench.start(paced=False)
        yield bench


@pytest.fixture
def firmware(tmp_path: Path) -> Path:
    """A raw program for the F10x: stack in RAM, reset vector with the thumb bit (DDI 0403, the vector table)."""
    path = tmp_path / "fw.bin"
    path.write_bytes(FIRMWARE)
    return path


@pytest.fixture
def larger(tmp_path: Path) -> Path:
    """One that takes a second to write."""
    path = tmp_path / "larger.bin"
    path.write_bytes(FIRMWARE * 3)
    return path


def make(version: bytes) -> bytes:
    data = bytearray(random.Random(3).randbytes(3000))
    data[:8] = struct.pack("<II", 0x2000_5000, 0x0800_0101)
    data[0x200:0x220] = version.ljust(32, b"\0")
    return bytes(data)


FIRMWARE, NEWER = make(b"tern 1.4.2"), make(b"tern 1.5.0")


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


async def test_program_proves_what_it_wrote_and_the_record_tells_the_same(
    board: SimulatedBench, firmware: Path, tmp_path: Path, reported: Reported
) -> None:
    record = tmp_path / "run.pcapng"
    code, found = await reported("program", board.port, firmware, *AT, "--record", record)
    assert (code, found["outcome"]) == (0, "ok")
    assert found["programming"]["complete"] is True
    assert found["programming"]["proven"] == "08000000-08000BB7"  # 3000 bytes: 0xBB8
    assert found["image"]["sha256"] == sha256(FIRMWARE).hexdigest()
    assert [stage["name"] for stage in found["stages"]][-5:] == ["erase", "write", "verify", "seal", "verify"]
    code, out, _ = await wakeline("replay", record, "--json")
    replayed = json.loads(out)
    assert code == 0
    assert replayed["programming"] == found["programming"]
    assert replayed["stages"] == found["stages"]
    for command in ("replay", "transcript"):
        code, out, _ = await wakeline(command, record)
        assert (code, "08000000-08000BB7" in out) == (0, True)

    # what compare and read say
    code, found = await reported("compare", board.port, firmware, *AT, "--resume")
    assert (code, found["outcome"], found["differences"]) == (0, "ok", [])
    code, found = await reported("read", board.port, *AT, "--length", "3000", "-o", tmp_path / "out.bin", "--resume")
    assert code == 0
    assert (tmp_path / "out.bin").read_bytes() == FIRMWARE

    # and erase, which needs the chip's own id
    assert (await reported("erase", board.port, "--pages", "1"))[1]["error"]["code"] == "consent"
    code, found = await reported("erase", board.port, "--pages", "1", "--consent", "0x412")
    assert (code, found["error"]["code"]) == (4, "wrong-chip")
    code, found = await reported("erase", board.port, "--pages", "1", "--consent", "0x410")
    assert (code, found["programming"]["proven"]) == (0, "08000400-080007FF")
    code, found = await reported("compare", board.port, firmware, *AT)
    assert (code, found["outcome"], found["error"]["code"]) == (5, "mismatch", "differs")
    assert found["differences"][0]["address"] == "0x08000400"

    # a resume writes only what is missing
    code, found = await reported("program", board.port, firmware, *AT, "--resume")
    assert (code, found["programming"]["to_write"], found["programming"]["to_erase"]) == (0, 1024, "")


async def test_update_saves_first_shows_versions_and_restore_brings_it_back(
    board: SimulatedBench, firmware: Path, tmp_path: Path, reported: Reported
) -> None:
    new = tmp_path / "new.bin"
    new.write_bytes(NEWER)
    assert (await reported("program", board.port, firmware, *AT))[0] == 0
    saved = tmp_path / "before.bin"
    code, found = await reported(
        "update", board.port, new, *AT, "--version-at", "0x08000200:16", "--backup", saved, "--yes"
    )
    assert (code, found["version"]) == (0, {"old": "tern 1.4.2", "new": "tern 1.5.0"})
    assert found["backup"] == str(saved)
    said = tomllib.loads((tmp_path / "before.bin.toml").read_text())
    assert (said["address"], said["size"], said["product_id"]) == (0x0800_0000, 128 * 1024, 0x410)
    assert said["sha256"] == sha256(saved.read_bytes()).hexdigest()
    assert saved.read_bytes()[:3000] == FIRMWARE

    # never over a file that is there, and then nothing is changed
    code, found = await reported("update", board.port, firmware, *AT, "--backup", saved, "--yes")
    assert (code, found["error"]["code"]) == (7, "output-exists")
    assert (await reported("compare", board.port, new, *AT))[0] == 0

    code, found = await reported("restore", board.port, saved, "--yes")
    assert (code, found["outcome"]) == (0, "ok")
    assert (await reported("compare", board.port, firmware, *AT))[0] == 0

    saved.write_bytes(saved.read_bytes()[:-1] + b"\0")
    code, out, err = await wakeline("restore", board.port, saved, "--yes")
    assert (code, out) == (7, "")
    assert "SHA-256" in err


async def test_an_update_to_what_the_chip_holds_changes_nothing_and_says_so(
    board: SimulatedBench, firmware: Path, tmp_path: Path, reported: Reported, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert (await reported("program", board.port, firmware, *AT))[0] == 0
    before = os.listdir(tmp_path)
    record = tmp_path / "same.pcapng"
    words = ("update", board.port, firmware, *AT, "--yes")
    code, found = await reported(*words, "--record", record, "--version-pattern", r"tern ([0-9.]+)")
    assert (code, found["outcome"], found["changed"], found["warnings"]) == (0, "ok", False, [])
    assert (found["programming"]["complete"], found["programming"]["proven"]) == (True, "08000000-08000BB7")
    assert (found["programming"]["to_write"], found["programming"]["to_erase"]) == (0, "")
    assert found["version"] == {"old": "1.4.2", "new": "1.4.2"}
    assert "backup" not in found
    assert sorted(os.listdir(tmp_path)) == sorted((*before, record.name))
    # only what the image touches is read: 3 pages of 1 KiB, not the whole flash
    assert sum(stage["bytes_in"] for stage in found["stages"]) < 4 * 1024
    code, out, _ = await wakeline("replay", record)
    assert (code, "update: nothing had to be changed; proven by reading back: 08000000-08000BB7" in out) == (0, True)
    code, out, _ = await wakeline(*words, "--listen", "0")
    assert (code, "the chip holds this already: 3000 bytes read and found right" in out) == (0, True)

    # a part of it is compared as a part
    code, found = await reported(*words, "--range", "0x08000000:0x400", "--version-pattern", r"tern ([0-9.]+)")
    assert (code, found["changed"], found["warnings"]) == (0, False, [])
    assert found["programming"]["proven"] == "08000000-080003FF"

    # whoever wants it written all the same says so
    code, found = await reported(*words, "--write-anyway", "--backup", tmp_path / "before.bin")
    assert (code, found["outcome"], found["changed"]) == (0, "ok", True)
    assert (found["programming"]["to_erase"], found["programming"]["to_write"]) == ("0-2", 3000)
    assert (tmp_path / "before.bin").read_bytes()[:3000] == FIRMWARE


async def test_a_version_that_is_not_there_is_never_passed_over(
    board: SimulatedBench, firmware: Path, tmp_path: Path, reported: Reported
) -> None:
    new = tmp_path / "new.bin"
    new.write_bytes(NEWER)
    words = ("update", board.port, new, *AT, "--yes", "--backup")
    # in the new image: the wrong file or the wrong pattern, and nothing reaches the board
    for where in (("--version-pattern", "tern 9"), ("--version-at", "0x08000B00:8"), ("--version-at", "0x0800F000")):
        missing = tmp_path / "missing.bin"
        missing.write_bytes(NEWER[:0xB00] + bytes(100))
        code, found = await reported("update", board.port, missing, *AT, "--yes", *where)
        assert (code, found["outcome"], found["error"]["code"]) == (7, "input", "version-missing")
        assert found["stages"] == []
    # on a blank chip there is none, which is no reason to warn
    code, found = await reported(*words, tmp_path / "blank.bin", "--version-pattern", "tern 1.5[0-9.]*")
    assert (code, found["version"], found["warnings"]) == (0, {"old": None, "new": "tern 1.5.0"}, [])
    # on a chip that holds something else it is
    assert (await reported("program", board.port, firmware, *AT))[0] == 0
    code, found = await reported(*words, tmp_path / "other.bin", "--version-pattern", "tern 1.5[0-9.]*")
    assert (code, found["version"]) == (0, {"old": None, "new": "tern 1.5.0"})
    assert ["no version was found on the chip" in words for words in found["warnings"]] == [True]
    # and so is the same version with other bytes
    other = tmp_path / "rebuilt.bin"
    other.write_bytes(NEWER[:-1] + bytes([NEWER[-1] ^ 1]))
    code, out, _ = await wakeline(
        *("update", board.port, other, *AT, "--yes", "--no-backup", "--version-at", "0x08000200:10", "--listen", "0")
    )
    assert (code, "look: both say the same version, and yet their bytes differ" in out) == (0, True)


async def test_a_comparison_that_finds_differences_says_that_everything_was_read(
    board: SimulatedBench, firmware: Path, reported: Reported
) -> None:
    code, out, err = await wakeline("compare", board.port, firmware, *AT, "--listen", "0")
    assert code == 5
    lines = out.splitlines()
    # 3000 bytes are 12 readings of at most 256 (AN3155 s.3.4), and all of them differ on a blank chip
    (told,) = [line for line in lines if "differs at 0x" in line]
    assert told.endswith("and so do 11 blocks up to 0x08000BB7")
    assert any(line.startswith("compare      mismatch") for line in lines)
    differing = sum(byte != 0xFF for byte in FIRMWARE)
    assert f"compare: everything was read; {differing} bytes in 12 places differ" in lines
    assert "not complete" not in out
    assert f"{differing} bytes in 12 places differ, the first at 0x08000000" in err
    code, found = await reported("compare", board.port, firmware, *AT)
    assert (code, found["outcome"], found["stages"][-1]["outcome"]) == (5, "mismatch", "mismatch")
    assert (found["programming"]["differing_bytes"], found["programming"]["differing_places"]) == (differing, 12)
    assert [each["address"] for each in found["differences"]] == [
        f"0x{0x0800_0000 + at:08X}" for at in range(0, 3000, 256)
    ]


async def test_a_resumed_update_brings_back_what_was_beside_it_from_the_backup_of_its_first_run(
    board: SimulatedBench, larger: Path, tmp_path: Path, reported: Reported, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(realign, "LIMIT", 300)  # the longest packet of this run has 258 bytes
    monkeypatch.chdir(tmp_path)
    new, saved, whole = tmp_path / "new.bin", tmp_path / "before.bin", tmp_path / "whole.bin"
    new.write_bytes(NEWER)
    whole.write_bytes(NEWER + (FIRMWARE * 3)[len(NEWER) :])
    assert (await reported("program", board.port, larger, *AT))[0] == 0
    words = ("update", board.port, new, *AT, "--yes")
    await board.act("spoil", flaw="power-fails:at=3")  # in the second write
    code, found = await reported(*words, "--backup", saved)
    assert (code, found["programming"]["complete"]) == (3, False)
    first = saved.read_bytes()
    assert first[:9000] == FIRMWARE * 3
    await board.act("power-on")
    await board.act("reset")
    code, found = await reported(*words, "--resume")
    assert (code, found["outcome"], found["backup"]) == (0, "ok", "before.bin")
    assert saved.read_bytes() == first
    assert sorted(path.name for path in tmp_path.glob("*.bin*")) == [  # noqa: ASYNC240  # a folder of a few files
        "before.bin", "before.bin.toml", "larger.bin", "new.bin", "whole.bin"
    ]  # fmt: skip
    assert (await reported("compare", board.port, whole, *AT))[0] == 0


async def test_what_is_kept_beside_the_image_is_saved_before_it_is_erased(
    board: SimulatedBench, firmware: Path, tmp_path: Path, reported: Reported
) -> None:
    assert (await reported("program", board.port, firmware, *AT))[0] == 0
    part = tmp_path / "part.bin"
    part.write_bytes(bytes(range(100)))
    saved = tmp_path / "kept.bin"
    words = ("--address", "0x08000500", "--keep-neighbours", "--backup", saved)
    code, found = await reported("program", board.port, part, *words)
    assert (code, found["backup"]) == (0, str(saved))
    assert saved.read_bytes() == FIRMWARE[0x400:0x800]
    mixed = tmp_path / "mixed.bin"
    mixed.write_bytes(FIRMWARE[:0x500] + bytes(range(100)) + FIRMWARE[0x564:])
    assert (await reported("compare", board.port, mixed, *AT))[0] == 0
    assert (await reported("restore", board.port, saved, "--yes"))[0] == 0
    assert (await reported("compare", board.port, firmware, *AT))[0] == 0


async def test_what_fails_before_anything_happened_says_no_more_than_that(
    board: SimulatedBench, tmp_path: Path
) -> None:
    out_file = tmp_path / "ram.bin"
    words = ("--address", "0x60000000", "--length", "4", "-o", out_file)
    code, out, err = await wakeline("read", board.port, *words, "--listen", "0")
    assert (code, "read: not complete; no file was written" in out) == (4, True)
    assert "proven" not in out + err
    code, out, err = await wakeline("erase", board.port, "--pages", "0", "--consent", "0x412", "--listen", "0")
    assert (code, "caution" in out) == (4, False)
    assert "the consent is for 0x412, this chip says 0x410" in err
    code, out, _ = await wakeline("read", board.port, "--length", "1", "-o", out_file, "--listen", "0")
    assert code == 0
    assert "ram.bin holds the 1 byte from 0x08000000" in out
    assert "read: done, in two readings that agree: 08000000-08000000" in out


async def test_in_a_pipe_the_text_has_no_control_characters_and_says_what_is_proven(
    board: SimulatedBench, firmware: Path
) -> None:
    code, out, err = await wakeline(
        "program", board.port, firmware, *AT, "--listen", "0", "--start", "--start-listen", "0"
    )
    assert (code, err) == (0, "")
    assert "".join(out.splitlines()).isprintable()
    assert "\r" not in out
    for words in (
        "erase: 3 pages (0-2)",
        "caution: do not unplug",
        "proven by reading back: 08000000-08000BB7",
        "started",
    ):
        assert words in out
    assert len(out.splitlines()) < 80


async def test_a_measured_supply_is_told_over_the_port_and_every_byte_of_it_is_named(
    firmware: Path, tmp_path: Path, reported: Reported
) -> None:
    # AN2606 Rev 70 Table 4: FFFF0000 takes 03 for 2.7 to 3.6 V
    record = tmp_path / "told.pcapng"
    async with SimulatedBench() as bench:
        await bench.start(chip="f40x", paced=False)
        code, found = await reported("program", bench.port, firmware, *AT, "--supply-volts", "3.3", "--record", record)
        assert (code, found["outcome"]) == (0, "ok")
        assert any("2.7 to 3.6 V (3.3 V measured)" in line for line in found["plan"])
        names = [stage["name"] for stage in found["stages"]]
        assert names[names.index("supply") + 1] == "erase"
        code, found = await reported("program", bench.port, firmware, *AT, "--supply-volts", "2.1")
        assert (code, found["error"]["code"]) == (2, "supply")
    code, out, _ = await wakeline("transcript", record)
    assert code == 0
    assert "supply voltage 0x03: 2.7 to 3.6 V" in out


async def test_a_plan_alone_changes_nothing(board: SimulatedBench, firmware: Path, reported: Reported) -> None:
    code, found = await reported("program", board.port, firmware, *AT, "--plan")
    assert code == 0
    assert any("erase: 3 pages" in line for line in found["plan"])
    code, _ = await reported("compare", board.port, firmware, *AT)
    assert code == 5


async def test_a_protected_board_is_refused_and_erased_only_with_its_id(firmware: Path, reported: Reported) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="readout-protected", paced=False)
        code, found = await reported("program", bench.port, firmware, *AT)
        assert (code, found["outcome"], found["error"]["code"]) == (4, "refused", "protected")
        assert "--lift-protection 0x410" in found["error"]["help"]
        code, found = await reported("program", bench.port, firmware, *AT, "--lift-protection", "0x410")
        assert (code, found["outcome"]) == (0, "ok")


@pytest.mark.parametrize(
    ("words", "code", "key"),
    [
        (["program", "PORT", "missing.bin"], 7, "image-file"),
        (["program", "PORT", "fw.bin"], 2, "image-address"),
        (["program", "PORT", "fw.bin", *AT, "--chip", "0x412"], 4, "wrong-chip"),
        (["program", "PORT", "fw.bin", "--address", "0x08020000"], 7, "image-fit"),
        (["program", "PORT", "fw.bin", *AT, "--erase-all", "--changed-only"], 2, "usage"),
        (["program", "PORT", "fw.bin", *AT, "--range", "0x08010000:4"], 2, "range"),
        (["program", "PORT", "fw.bin", *AT, "--range", "5"], 2, "usage"),
        (["erase", "PORT"], 2, "usage"),
        (["erase", "PORT", "--pages", "500", "--consent", "0x410"], 2, "usage"),
        (["erase", "PORT", "--pages", "3-1"], 2, "usage"),
        (["update", "PORT", "fw.bin", *AT], 2, "consent"),
        (["update", "PORT", "fw.bin", *AT, "--version-pattern", "("], 2, "usage"),
        (["update", "PORT", "fw.bin", *AT, "--version-pattern", "t", "--version-at", "0", "--yes"], 2, "usage"),
        (["update", "PORT", "fw.bin", *AT, "--changed-only", "--write-anyway", "--yes"], 2, "usage"),
        (["restore", "PORT", "missing.bin", "--yes"], 7, "backup"),
        (["read", "PORT", "-o", "fw.bin"], 7, "output-exists"),
        (["read", "PORT", "-o", "x.bin", "--address", "0x60000000", "--length", "4"], 4, "refused"),
        (["read", "PORT", "-o", "x.bin", "--address", "0x60000000"], 2, "usage"),
        (["program", "no-such-port", "fw.bin", *AT], 6, "port-missing"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
async def test_bad_input_has_a_word_a_next_step_and_its_exit_code(
    words: list[str],
    code: int,
    key: str,
    board: SimulatedBench,
    firmware: Path,
    reported: Reported,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(firmware.parent)
    got, found = await reported(*(board.port if word == "PORT" else word for word in words))
    assert (got, found["error"]["code"]) == (code, key)
    assert found["error"]["help"]
    assert not (firmware.parent / "x.bin").exists()


@pytest.mark.parametrize("command", ["program", "update", "restore", "read", "compare", "erase"])
async def test_every_command_explains_itself(command: str) -> None:
    code, out, _ = await wakeline(command, "--help")
    assert code == 0
    assert "--resume" in out
    assert "exit codes" in out


@pytest.mark.skipif(sys.platform == "win32", reason="this system ends a process in place of interrupting it")
async def test_ctrl_c_ends_at_a_blocks_border_and_a_resume_finishes(larger: Path, reported: Reported) -> None:
    async with SimulatedBench() as bench:
        await bench.start()
        words = ("program", bench.port, str(larger), *AT, "--listen", "0")
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            *("-m", "console", *words),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        assert process.stdout is not None
        lines = []
        async for line in process.stdout:
            lines.append(line.decode())
            if line.startswith(b"write  ") and b" 0 %" not in line:
                process.send_signal(signal.SIGINT)
                break
        rest, err = await process.communicate()
        out = "".join(lines) + rest.decode()
        assert process.returncode == 8
        assert "Traceback" not in out + err.decode()
        assert "program: not complete" in out
        assert "erase acknowledged: 0-8" in out
        assert "--resume" in err.decode()
        code, found = await reported(*words[:-2], "--resume")
        assert (code, found["outcome"]) == (0, "ok")
        assert found["programming"]["already"]


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo terminals")
@pytest.mark.parametrize(("answer", "code", "word"), [(b"0x410\n", 0, "proven"), (b"no\n", 8, "nothing was changed")])
async def test_on_a_terminal_consent_is_typed(answer: bytes, code: int, word: str, board: SimulatedBench) -> None:
    words = ("erase", board.port, "--pages", "0", "--listen", "0")
    ended, shown = await on_terminal(*words, question=b"to go on: ", answer=answer)
    assert ended == code
    assert word in shown.decode()
    assert b"Traceback" not in shown
