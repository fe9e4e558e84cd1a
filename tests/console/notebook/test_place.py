"""Where the user's own notebook is."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from console.notebook.place import default_path


def test_the_folder_is_the_one_the_xdg_specification_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # XDG Base Directory Specification 0.8: $XDG_DATA_HOME, "must be absolute", else $HOME/.local/share
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "own"))
    assert default_path() == tmp_path / "own" / "wakeline" / "notebook.sqlite"
    for relative in ("own", ""):
        monkeypatch.setenv("XDG_DATA_HOME", relative)
        assert default_path() == Path.home() / ".local" / "share" / "wakeline" / "notebook.sqlite"


@pytest.mark.parametrize(
    ("platform", "parts"),
    [("darwin", ("Library", "Application Support")), ("win32", ("AppData", "Local"))],  # from memory
)
def test_elsewhere_it_is_where_the_systems_own_programs_put_theirs(
    platform: str, parts: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", platform)
    monkeypatch.delenv("LOCALAPPDATA", raising=False)
    assert default_path() == Path.home().joinpath(*parts, "wakeline", "notebook.sqlite")
