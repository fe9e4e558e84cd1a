"""A capture as what the bench screen works on. Knows no widget."""

from __future__ import annotations

import contextlib
from itertools import islice
from pathlib import Path
from typing import Final

from console.clock import MonotonicClock
from console.errors import InputTrouble
from console.events import Mark, MarkKind
from console.screens.bridge import Bridge
from console.text import clean

_FIRST: Final = 20  # events of a capture that tell what it is of


class CaptureSource:
    """A capture through the same fold, at the recorded pace or another. Raises InputTrouble when it cannot be read.

    `plans`: it is of a whole board brought up by its plan.
    """

    LONGEST_PAUSE_S: Final = 3.0
    cuts_off = loses = ""  # a replay can be left at any moment
    kept = None

    def __init__(self, path: Path, speed: float | None = 1.0) -> None:
        from console.record.pcapng import CaptureFile
        from console.record.replay import Pacer

        self.path = path
        self.capture = CaptureFile(path)
        self.pacer = Pacer(speed, gap_limit_s=self.LONGEST_PAUSE_S)
        self.bridge = Bridge()
        self.loading = True
        self.recording = False
        self.plans = self._begins_with_a_plan()

    def _begins_with_a_plan(self) -> bool:
        """Whether a whole board's plan was followed: its marks come before anything else."""
        with contextlib.suppress(InputTrouble):  # told when it is played
            for event in islice(self.capture.events(), _FIRST):
                if isinstance(event, Mark) and event.kind is MarkKind.BRINGUP:
                    return True
        return False

    @property
    def busy(self) -> bool:
        """A replay can be left at any moment."""
        return False

    @property
    def title(self) -> str:
        """What is open, in words."""
        return f"capture {clean(self.path.name)}"

    @property
    def name(self) -> str:
        """A short name for files."""
        return self.path.stem

    async def run(self) -> None:
        """Play to the end. Raises InputTrouble."""
        from console.record.replay import replay

        try:
            await replay(
                self.capture.events(),
                self.bridge.event,
                speed=self.pacer.speed,
                clock=MonotonicClock(),
                pacer=self.pacer,
            )
        finally:
            self.loading = False
            if self.bridge.target is not None:
                self.bridge.stir()

    async def close(self) -> None:
        """Nothing is held but the bridge."""
        self.bridge.close()
