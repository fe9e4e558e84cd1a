"""`wakeline replay FILE`: a capture through the same fold, on the screens or as text."""

from __future__ import annotations

import asyncio
import sys
from argparse import Namespace
from pathlib import Path

from console.clock import MonotonicClock
from console.commands.attempt import LiveText
from console.events import Event
from console.record.pcapng import CaptureFile
from console.record.replay import replay
from console.snapshot import Fold, exit_code
from console.summary import as_object, dumps, verdict_lines


def run(options: Namespace) -> int:
    """Run the command; returns the exit code of the run that was recorded."""
    path = Path(options.file)
    if sys.stdout.isatty() and not (options.text or options.json):
        from console.screens.app import run_app

        return run_app(capture=path, speed=options.speed or 1.0)
    if options.json:
        snapshot = fold_file(path).snapshot()
        print(dumps(as_object(snapshot)))
        return exit_code(snapshot)
    fold = Fold()
    text = LiveText(fold, sys.stdout)

    def sink(event: Event) -> None:
        fold.add(event)
        text.event(event)

    capture = CaptureFile(path)
    asyncio.run(replay(capture.events(), sink, speed=options.speed, clock=MonotonicClock()))
    text.flush()
    _tell_damage(capture)
    print("\n".join(verdict_lines(fold.snapshot())))
    return exit_code(fold.snapshot())


def fold_file(path: Path) -> Fold:
    """The fold of a whole capture. Raises InputTrouble; damage behind the readable part is told on stderr."""
    capture = CaptureFile(path)
    fold = Fold()
    for event in capture.events():
        fold.add(event)
    _tell_damage(capture)
    return fold


def _tell_damage(capture: CaptureFile) -> None:
    for warning in capture.warnings:
        print(f"note: {warning}", file=sys.stderr)
