"""What a programming run prints while it runs: stage by stage, on a terminal in one line, in a pipe line by line."""

from __future__ import annotations

from typing import Final, TextIO

from console.errors import Outcome
from console.events import Event, Mark, MarkKind
from console.programming.fold import Programming
from console.session.wording import mark_words
from console.snapshot import Fold
from console.text import clean
from console.words import count_of, duration

_BAR: Final = 24
_EVERY: Final = 10  # percent, in a pipe


class ProgressText:
    """A sink. On a terminal the line of the running stage is written over itself; elsewhere only whole lines appear."""

    def __init__(self, fold: Fold, stream: TextIO, terminal: bool) -> None:
        self._fold = fold
        self._stream = stream
        self._terminal = terminal
        self._open = False
        self._told = -_EVERY

    def event(self, event: Event) -> None:
        """Something happened."""
        if not isinstance(event, Mark):
            return
        match event.kind:
            case MarkKind.STAGE_BEGIN:
                self._told = -_EVERY
            case MarkKind.PROGRESS:
                state = self._fold.snapshot().programming
                if state is not None:
                    self._progress(state)
            case MarkKind.STAGE_END:
                name, outcome = (clean(str(event.fields.get(key, ""))) for key in ("name", "outcome"))
                message = "" if outcome == Outcome.OK else f": {clean(str(event.fields.get('message', '')))}"
                self._line(f"{name:<12} {'done' if outcome == Outcome.OK else outcome}{message}")
            case MarkKind.NOTE | MarkKind.LINK_LOST:
                self._line(f"  note: {mark_words(event)}")
            case _:
                pass

    def say(self, *lines: str) -> None:
        """Whole lines beside the events."""
        for line in lines:
            self._line(line)

    def flush(self) -> None:
        """Nothing more will come."""
        if self._open:
            self._stream.write("\n")
            self._open = False
        self._stream.flush()

    def _progress(self, state: Programming) -> None:
        percent = 100 * state.done // state.total if state.total else 100
        left = f", {duration(state.eta_s)} left" if state.eta_s and state.done < state.total else ""
        again = f", {state.repeated} repeated" if state.repeated else ""
        words = f"{state.stage:<12} {percent:>3} %  {state.done} of {count_of(state.total, 'byte')}"
        words += f", {state.rate:.0f} bytes/s{left}{again}" if state.done else ""
        if self._terminal:
            filled = _BAR * percent // 100
            bar = "#" * filled + "." * (_BAR - filled)
            self._stream.write(f"\r{words[:13]}[{bar}]{words[13:]}\x1b[K"[:200])
            self._stream.flush()
            self._open = True
        elif percent >= self._told + _EVERY or percent == 100 != self._told:
            self._told = percent
            self._stream.write(words + "\n")
            self._stream.flush()

    def _line(self, text: str) -> None:
        if self._open:
            self._stream.write("\r\x1b[K")
            self._open = False
        self._stream.write(text + "\n")
        self._stream.flush()
