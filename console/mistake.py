"""A mistake of ours as an error in words: the traceback goes into a file, never to a screen."""

from __future__ import annotations

import tempfile
import traceback

from console.errors import WakelineError


def mistake(error: BaseException) -> WakelineError:
    """What to tell of an exception that nobody foresaw; `where` is the new file that holds its traceback."""
    with tempfile.NamedTemporaryFile(
        "w", prefix="wakeline-internal-", suffix=".txt", delete=False, encoding="utf-8", errors="backslashreplace"
    ) as report:
        traceback.print_exception(error, file=report)
    return WakelineError(
        "internal", "wakeline made a mistake", where=report.name, help="please report it with that file"
    )
