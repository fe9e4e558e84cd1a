"""A capture as a sink for a session: trouble with the file is told once, and the session goes on without it."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable

from console.errors import WakelineError
from console.events import Event
from console.record.pcapng import CaptureWriter


class Recorder:
    """Writes events until it is closed or the file fails; what failed is given to `trouble`, once."""

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        port: str,
        baud: int,
        overwrite: bool = False,
        trouble: Callable[[WakelineError], None],
    ) -> None:
        """Begin the capture. Raises InputTrouble when the file is there already or cannot be made."""
        self._writer: CaptureWriter | None = CaptureWriter.create(path, port=port, baud=baud, overwrite=overwrite)
        self._trouble = trouble

    @property
    def running(self) -> bool:
        """Whether events still reach the file."""
        return self._writer is not None

    def event(self, event: Event) -> None:
        """Sink: record one event; nothing after the end or a failure."""
        if self._writer is None:
            return
        try:
            self._writer.write(event)
        except WakelineError as error:
            self._trouble(error)
            self.close()

    def close(self) -> None:
        """End the capture; may be called twice."""
        writer, self._writer = self._writer, None
        if writer is not None:
            with contextlib.suppress(WakelineError):
                writer.close()
