"""Standard output and error of a command: whoever reads them may leave, and their disk may be full.

What cannot be printed must never end a run on a chip: it would leave half a program there, and say that all is well.
"""

from __future__ import annotations

import contextlib
import errno
import io
import os
import sys
from enum import StrEnum
from typing import TextIO

from console.errors import EXIT_CODES, InputTrouble


class Unread(StrEnum):
    """What a command does once its text cannot be printed any more."""

    ENDS = "ends"  # it is there for its text alone
    GOES_ON = "goes on"  # to its own exit code, in silence where the reader left of its own accord
    TELLS = "tells"  # it changes or judges a board: goes on, and says on standard error how that ended


class Printed(io.TextIOBase):
    """A standard stream that keeps in mind when it is `lost`; None: it was closed before we began.

    While it `goes_on`, what is written afterwards is dropped; else the loss is raised once, as the system's own error.
    """

    def __init__(self, stream: TextIO | None, *, goes_on: bool = False) -> None:
        self.goes_on = goes_on
        self.lost: OSError | None = None if stream else OSError(errno.EBADF, os.strerror(errno.EBADF))
        self._stream = stream

    @property
    def encoding(self) -> str:  # type: ignore[override]  # read-only in a stream that is no file
        """As the stream's own; a prompt asks for it."""
        return getattr(self._stream, "encoding", None) or "utf-8"

    @property
    def errors(self) -> str | None:  # type: ignore[override]
        """As the stream's own."""
        return getattr(self._stream, "errors", None)

    def writable(self) -> bool:
        """Always: what cannot be kept is dropped or raised."""
        return True

    def isatty(self) -> bool:
        """Whether a terminal is behind it."""
        return self._stream is not None and self._stream.isatty()

    def fileno(self) -> int:
        """The stream's descriptor. Raises OSError where it has none."""
        if self._stream is None:
            raise io.UnsupportedOperation("fileno")
        return self._stream.fileno()

    def write(self, text: str) -> int:
        """Print. Raises OSError for the loss unless it goes on."""
        if self._stream is not None and self.lost is None:
            try:
                self._stream.write(text)
            except OSError as error:
                self._lose(error)
        return len(text)

    def flush(self) -> None:
        """Print what is held back. Raises OSError for the loss unless it goes on."""
        if self._stream is not None and self.lost is None:
            try:
                self._stream.flush()
            except OSError as error:
                self._lose(error)

    def _lose(self, error: OSError) -> None:
        self.lost = error
        # what is held back would be tried again when the interpreter ends, and change the exit code
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.fileno())
            os.close(nowhere)
        if not self.goes_on:
            raise error


def unread_code(out: Printed, code: int, unread: Unread, as_json: bool) -> int:
    """The exit code of a run that went on to `code` although its text may be lost; standard error says what is to say.

    A run that ended well and whose JSON object reached nobody is no success for the script that asked for it.
    """
    if out.lost is None or unread is Unread.ENDS:
        return code
    ended = next((outcome.value for outcome, known in EXIT_CODES.items() if known == code), "")
    words = f"the run went on, and ended with: {ended} (exit code {code})"
    if as_json:
        trouble = undelivered(out.lost, "the JSON object", words)
        print("\n".join(trouble.lines()), file=sys.stderr)
        return code or trouble.outcome.exit_code
    if unread is Unread.TELLS or not isinstance(out.lost, BrokenPipeError):
        print(f"note: the text could not be written to its end ({_reason(out.lost)}); {words}", file=sys.stderr)
    return code


def undelivered(error: OSError, what: str = "the text", note: str = "") -> InputTrouble:
    """The trouble of an output that somebody waits for, and that cannot be printed."""
    return InputTrouble(
        "output",
        f"{what} cannot be written: {_reason(error)}",
        where="standard output",
        note=note,
        help="look at where the output goes, or choose another place",
    )


def _reason(error: OSError) -> str:
    return error.strerror or type(error).__name__
