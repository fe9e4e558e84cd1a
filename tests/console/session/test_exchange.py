"""The trace store: every byte comes back, views follow growth, filters agree with a plain list."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.session.exchange import ROW_BYTES, Trace, TraceFilter, TraceView
from protocols.family import Role, Span

spans = st.builds(
    Span,
    direction=st.sampled_from(["out", "in"]),
    offset=st.just(0),
    data=st.binary(min_size=1, max_size=70),
    role=st.sampled_from(list(Role)),
    text=st.sampled_from(["acknowledge", "data", "stray"]),
    command=st.sampled_from(["", "Get"]),
)
chunks = st.lists(st.tuples(st.integers(0, 30_000_000), st.lists(spans, min_size=1, max_size=4)), max_size=20)


def trace_of(pieces: list[tuple[int, list[Span]]]) -> Trace:
    trace, now = Trace(), 1_000
    for step, some in pieces:
        now += step
        trace.spans(now, some)
    return trace


@given(chunks)
def test_no_byte_is_lost_and_rows_are_bounded(pieces: list[tuple[int, list[Span]]]) -> None:
    trace = trace_of(pieces)
    rows = list(trace.rows())
    assert len(rows) == len(trace)
    assert all(len(row.data) <= ROW_BYTES for row in rows)
    assert b"".join(row.data for row in rows) == b"".join(span.data for _, some in pieces for span in some)
    for direction in ("out", "in"):
        got = b"".join(row.data for row in rows if row.kind == direction)
        assert got == b"".join(s.data for _, some in pieces for s in some if s.direction == direction)


@given(chunks, chunks, st.sampled_from(list(TraceFilter)))
def test_a_view_that_grew_equals_one_made_at_the_end(
    early: list[tuple[int, list[Span]]], late: list[tuple[int, list[Span]]], chosen: TraceFilter
) -> None:
    trace = trace_of(early)
    growing = TraceView(trace, chosen)
    for step, some in late:
        trace.spans(10_000_000_000 + step, some)
        growing.refresh()
    fresh = TraceView(trace, chosen)
    assert [growing.row(i) for i in range(len(growing))] == [fresh.row(i) for i in range(len(fresh))]
    for i in range(len(fresh)):
        assert fresh.index_of(fresh.trace_index(i)) == i


def test_marks_stages_and_jumps() -> None:
    trace = Trace()
    trace.remark(5, "mark", "settings")
    trace.stage("sync")
    trace.spans(6, [Span("out", 0, b"\x7f", Role.SYNC, "sync")])
    trace.spans(7, [Span("in", 0, b"\x79", Role.ACK, "acknowledge")])
    trace.stage("")
    trace.remark(9, "line", "break", b"\x00")
    assert trace.stage_rows == [("sync", 1)]
    assert [row.stage for row in trace.rows()] == ["", "sync", "sync", ""]
    assert [row.text for row in TraceView(trace, TraceFilter.MARKS)] == ["settings", "break"]
    with pytest.raises(IndexError):
        trace.row(4)


def test_trickling_bytes_of_one_field_share_a_row() -> None:
    trace = Trace()
    for step in range(20):
        trace.spans(step * 95_000, [Span("in", step, bytes([step]), Role.DATA, "data", "Read Memory")])
    assert [len(row.data) for row in trace.rows()] == [8, 8, 4]  # no row beyond ROW_BYTES
