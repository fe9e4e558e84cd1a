"""Backups: what was saved comes back, what was changed is refused, nothing is written over."""

from __future__ import annotations

import re
import tomllib
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from console.errors import InputTrouble
from console.record.backup import Backup, beside, check_new, free_name, load_backup, save_backup, write_new

SAVED = Backup(0x0800_0000, bytes(range(256)), 0x410, "F10x medium density", "00112233445566778899aabb")


def test_a_backup_comes_back_and_says_what_it_is(tmp_path: Path) -> None:
    path = tmp_path / "memory.bin"
    save_backup(path, SAVED)
    assert load_backup(path) == SAVED
    said = tomllib.loads(beside(path).read_text())  # any TOML reader can look at it
    assert said["sha256"] == sha256(SAVED.data).hexdigest()
    assert (said["address"], said["size"], said["product_id"]) == (0x0800_0000, 256, 0x410)
    assert path.read_bytes() == SAVED.data


def test_neither_file_is_ever_written_over(tmp_path: Path) -> None:
    path = tmp_path / "memory.bin"
    write_new(path, b"old")
    with pytest.raises(InputTrouble) as caught:
        save_backup(path, SAVED)
    assert caught.value.code == "output-exists"
    assert path.read_bytes() == b"old"
    assert not beside(path).exists()  # no half backup either
    path.unlink()
    write_new(beside(path), b"old")
    with pytest.raises(InputTrouble):
        save_backup(path, SAVED)
    assert not path.exists()


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("size = 256", "size = 255", "not those that were saved: 256 bytes in place of 255"),
        ("size = 256", "size = -1", "size"),
        ("0x08000000", "0xFFFFFFFF", "address"),
        ("0x410", '"x"', "product_id"),
        ("memory backup, version 1", "memory backup, version 9", "kind"),
        ('unique_id = "00112233445566778899aabb"', 'unique_id = "zz"', "unique_id"),
        ("kind", "[", "TOML"),
    ],
)
def test_words_that_are_wrong_are_named(old: str, new: str, word: str, tmp_path: Path) -> None:
    path = tmp_path / "memory.bin"
    save_backup(path, SAVED)
    text = beside(path).read_text()
    assert old in text
    beside(path).write_text(text.replace(old, new, 1))
    with pytest.raises(InputTrouble) as caught:
        load_backup(path)
    assert word in "\n".join(caught.value.lines())


def test_bytes_that_changed_or_are_missing_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "memory.bin"
    save_backup(path, SAVED)
    path.write_bytes(SAVED.data[:-1] + b"\0")
    with pytest.raises(InputTrouble, match="not those that were saved: another SHA-256"):
        load_backup(path)
    path.write_bytes(SAVED.data[:-1])
    with pytest.raises(InputTrouble, match="not those that were saved: 255 bytes in place of 256"):
        load_backup(path)
    path.unlink()
    with pytest.raises(InputTrouble):
        load_backup(path)


@pytest.mark.parametrize(
    ("name", "code"),
    [
        ("new.bin", ""),
        ("old.bin", "output-exists"),
        ("nodir/new.bin", "output"),
        (".", "output"),
        ("x" * 300, "output"),  # most file systems end at 255
        ("new\0.bin", "output"),
    ],
)
def test_whether_a_file_can_be_written_is_known_beforehand_and_leaves_nothing(
    name: str, code: str, tmp_path: Path
) -> None:
    write_new(tmp_path / "old.bin", b"old")
    before, found = sorted(tmp_path.iterdir()), ""
    try:
        check_new(tmp_path / name)
    except InputTrouble as trouble:
        found = trouble.code
        with pytest.raises(InputTrouble, match=re.escape(trouble.message)) as caught:  # it is what writing says
            write_new(tmp_path / name, b"new")
        assert caught.value.code == code
    assert found == code
    assert sorted(tmp_path.iterdir()) == before
    assert (tmp_path / "old.bin").read_bytes() == b"old"


def test_a_file_to_be_written_over_is_left_as_it_is_until_then(tmp_path: Path) -> None:
    write_new(tmp_path / "old.bin", b"old")
    check_new(tmp_path / "old.bin", overwrite=True)
    assert (tmp_path / "old.bin").read_bytes() == b"old"
    with pytest.raises(InputTrouble):
        check_new(tmp_path, overwrite=True)


def test_the_next_free_name_is_one_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "run.pcapng"
    assert free_name(path) == tmp_path / "run-2.pcapng"
    write_new(tmp_path / "run-2.pcapng", b"")
    write_new(tmp_path / "run-3.pcapng", b"")
    assert free_name(path) == tmp_path / "run-4.pcapng"


@given(words=st.binary(max_size=300))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_words_beside_the_bytes_give_an_error_of_ours(words: bytes, tmp_path: Path) -> None:
    path = tmp_path / "memory.bin"
    path.write_bytes(b"x")
    beside(path).write_bytes(words)
    with pytest.raises(InputTrouble):
        load_backup(path)


def test_plain_memory_is_no_backup(tmp_path: Path) -> None:
    (tmp_path / "flash.bin").write_bytes(b"\xff" * 64)
    with pytest.raises(InputTrouble, match="no backup") as caught:
        load_backup(tmp_path / "flash.bin")
    assert "program" in caught.value.help
