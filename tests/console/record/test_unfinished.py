"""Notes of unfinished runs: what was written comes back, what was spoiled is refused in words, nothing is written over."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from console.errors import InputTrouble
from console.images.image import Span
from console.record.unfinished import Unfinished, end_note, load_note, note_of, unfinished_in, write_note
from console.text import clean

RUN = Unfinished(
    "update", "tern.hex", 0x410, "00112233445566778899aabb", "2026-05-01 10:00:00 UTC", (Span(0x0800_0000, 0x400),)
)


@given(
    st.builds(
        Unfinished,
        task=st.sampled_from(["update", "program"]),
        image=st.text(min_size=1, max_size=500),
        product_id=st.integers(0, 0xFFFF),
        unique_id=st.sampled_from(["", "00112233445566778899aabb"]),
        begun=st.just(RUN.begun),
        keeps=st.lists(st.builds(Span, st.integers(0, 1 << 31), st.integers(1, 1 << 20)), max_size=9).map(tuple),
    )
)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_note_comes_back_and_is_safe_to_show(tmp_path: Path, run: Unfinished) -> None:
    backup = tmp_path / "memory.bin"
    end_note(backup)
    write_note(backup, run)
    found = load_note(backup)
    said = tomllib.loads(note_of(backup).read_text())  # any TOML reader can look at it
    assert (found.task, found.product_id, found.unique_id) == (run.task, run.product_id, run.unique_id)
    assert found.keeps == run.keeps
    assert [tuple(row) for row in said["keeps"]] == [(span.start, span.size) for span in run.keeps]
    assert clean(found.image, 1000) == found.image


def test_a_note_is_not_written_over_and_goes_when_the_run_ends(tmp_path: Path) -> None:
    backup = tmp_path / "memory.bin"
    write_note(backup, RUN)
    with pytest.raises(InputTrouble) as caught:
        write_note(backup, RUN)
    assert caught.value.code == "output-exists"
    end_note(backup)
    assert not note_of(backup).exists()
    end_note(backup)


def test_the_latest_note_comes_first(tmp_path: Path) -> None:
    for age, name in enumerate(("b", "a", "c")):
        write_note(tmp_path / name, RUN)
        os.utime(note_of(tmp_path / name), (1000 - age, 1000 - age))
    assert [path.name for path in unfinished_in(tmp_path)] == ["b", "a", "c"]
    assert unfinished_in(tmp_path / "none") == []


@pytest.mark.parametrize(
    ("old", "new", "word"),
    [
        ("version 1", "version 9", "kind"),
        ("[0x08000000, 1024]", "[0x08000000, 0]", "keeps"),
        ("[0x08000000, 1024]", "[0xFFFFFFFF, 2]", "keeps"),
        ("[0x08000000, 1024]", "7", "keeps"),
        ("[[0x08000000, 1024]]", "7", "keeps"),
        ('unique_id = "00112233445566778899aabb"', "unique_id = 7", "unique_id"),
        ("0x410", "0x41000", "product_id"),
        ('begun = "', 'begun = ["', "TOML"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, old: str, new: str, word: str) -> None:
    backup = tmp_path / "memory.bin"
    write_note(backup, RUN)
    text = note_of(backup).read_text()
    assert old in text
    note_of(backup).write_text(text.replace(old, new, 1))
    with pytest.raises(InputTrouble) as caught:
        load_note(backup)
    assert word in "\n".join(caught.value.lines())


@given(st.binary(max_size=200), st.integers(0, 300))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_spoiled_note_never_ends_in_anything_but_our_error(tmp_path: Path, put: bytes, at: int) -> None:
    backup = tmp_path / "memory.bin"
    end_note(backup)
    write_note(backup, RUN)
    data = note_of(backup).read_bytes()
    note_of(backup).write_bytes(data[:at] + put + data[at + len(put) :])
    try:
        load_note(backup)
    except InputTrouble as error:
        assert all(char.isprintable() for line in error.lines() for char in line)
