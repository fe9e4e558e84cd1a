"""What an observer sees where a board's own program talks: questions and answers of no published protocol."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from protocols.family import Direction, Identity, Role, Span

NAME: Final = "lines"


class LinesObserver:
    """Names every byte as part of a question or an answer, cut behind each line; drops none and waits for none."""

    def __init__(self) -> None:
        self._offset: dict[Direction, int] = {"out": 0, "in": 0}

    def feed(self, direction: Direction, data: bytes) -> Sequence[Span]:
        """Name `data`, which follows what was fed before in that direction."""
        text = "question" if direction == "out" else "answer"
        spans = []
        for part in data.splitlines(keepends=True):
            spans.append(Span(direction, self._offset[direction], part, Role.VALUE, text, "application"))
            self._offset[direction] += len(part)
        return spans

    def restart(self) -> None:
        """Nothing is ever pending."""

    @property
    def identity(self) -> Identity:
        """A program of its own says nothing about the chip."""
        return Identity()
