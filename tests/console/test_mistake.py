"""A mistake of ours: its traceback goes into a file, words go to the person."""

from __future__ import annotations

from pathlib import Path

import pytest

from console.errors import Outcome
from console.mistake import mistake


def test_the_traceback_is_in_the_file_and_nowhere_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    try:
        raise ValueError("sum \udc80")
    except ValueError as error:
        trouble = mistake(error)
    report = Path(trouble.where).read_text(encoding="utf-8")
    assert Path(trouble.where).parent == tmp_path
    assert "ValueError: sum \\udc80" in report
    assert "Traceback" in report
    assert "ValueError" not in "\n".join(trouble.lines())
    assert trouble.outcome is Outcome.INTERNAL
