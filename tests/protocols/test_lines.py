"""The observer of a board's own program drops no byte and waits for none."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from protocols.family import Identity, Role
from protocols.lines import LinesObserver


@given(st.lists(st.tuples(st.sampled_from(["out", "in"]), st.binary(max_size=40)), max_size=12))
def test_spans_joined_are_what_was_fed(chunks: list[tuple[str, bytes]]) -> None:
    observer = LinesObserver()
    offset = {"out": 0, "in": 0}
    for direction, data in chunks:
        spans = observer.feed(direction, data)  # type: ignore[arg-type]  # one of the two
        assert b"".join(span.data for span in spans) == data
        for span in spans:
            assert span.data
            assert span.offset == offset[direction]
            assert span.role is Role.VALUE
            offset[direction] += len(span.data)
    assert observer.identity == Identity()


def test_a_chunk_with_two_lines_is_two_spans_that_say_who_speaks() -> None:
    spans = LinesObserver().feed("in", b"fpga: 7E\r\nmemory: 5A")
    assert [(span.data, span.text) for span in spans] == [(b"fpga: 7E\r\n", "answer"), (b"memory: 5A", "answer")]
