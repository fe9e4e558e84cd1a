"""A set of addresses, kept as ranges: what is proven, what is written. Pure."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator

from console.images.image import Span


class Ranges:
    """Addresses as spans in order that neither touch nor overlap; adding a block costs a search at most."""

    def __init__(self, spans: Iterable[Span] = ()) -> None:
        self._spans: list[Span] = []
        self.update(spans)

    def __iter__(self) -> Iterator[Span]:
        return iter(self._spans)

    def __bool__(self) -> bool:
        return bool(self._spans)

    @property
    def size(self) -> int:
        """Bytes in all of them."""
        return sum(span.size for span in self._spans)

    def add(self, span: Span) -> None:
        """These addresses too; one without a byte adds nothing."""
        if span.size <= 0:
            return
        last = self._spans[-1] if self._spans else None
        if last is not None and last.end == span.start:  # block after block, as a run goes
            self._spans[-1] = Span(last.start, last.size + span.size)
            return
        low = bisect_left(self._spans, span.start, key=lambda each: each.end)
        high = bisect_right(self._spans, span.end, key=lambda each: each.start)
        start, end = span.start, span.end
        if low < high:
            start, end = min(start, self._spans[low].start), max(end, self._spans[high - 1].end)
        self._spans[low:high] = [Span(start, end - start)]

    def update(self, spans: Iterable[Span]) -> None:
        """All of these too."""
        for span in spans:
            self.add(span)

    def remove(self, span: Span) -> bool:
        """Not these any more; whether any of them was there."""
        low = bisect_right(self._spans, span.start, key=lambda each: each.end)
        high = bisect_left(self._spans, span.end, key=lambda each: each.start)
        if low >= high or span.size <= 0:
            return False
        self._spans[low:high] = [part for each in self._spans[low:high] for part in each.without(span)]
        return True

    def without(self, others: Iterable[Span]) -> Ranges:
        """What is left of them; they stay as they are."""
        left = Ranges()
        left._spans = list(self._spans)
        for span in others:
            left.remove(span)
        return left
