"""Shared set-up: no test touches the user's home, terminal settings or running benches."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from hypothesis import settings

# a shared machine may pause a test at any moment; only results count, never times
settings.register_profile("wakeline", deadline=None, max_examples=60, derandomize=True)
settings.load_profile("wakeline")


@pytest.fixture(autouse=True)
def own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every test gets an empty home, runtime and working folder."""
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(home))
    monkeypatch.setenv("XDG_DATA_HOME", str(home / "data"))
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.chdir(tmp_path)


def pytest_configure() -> None:
    """Started in the background of a script, a process ignores Ctrl-C, and so would every test that presses it."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
