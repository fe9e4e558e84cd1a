"""Which rate is the sender's, judged from what an ideal receiver makes of a text at others."""

from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from protocols.readable import LEAST_TEXT, Heard, Listened, count_readable, judge, reads_as_text, wilson_low
from protocols.uart import EIGHT_E_ONE, EIGHT_N_ONE, Frame
from protocols.waveform import Resync, decode, encode

# invented text of a river-level logger
TEXT = b"tern: level 1.482 m\r\ntern: cell 3.71 V\r\ntern: no uplink, kept in log\r\n"
RATES = (115200, 9600, 57600, 38400, 19200, 230400, 460800, 921600, 4800, 2400)


def heard(data: bytes, sender: int, rate: int, *, frame: Frame = EIGHT_N_ONE, errors: bool = True) -> Heard:
    """What a receiver at `rate` 8N1 hears of a burst; without `errors`, bad characters arrive as bare bytes (a pty)."""
    edges = encode([(n * frame.bits / sender, byte) for n, byte in enumerate(data)], frame, sender)
    got = decode(edges, EIGHT_N_ONE, rate, Resync.AT_ONCE)
    good = bytes(c.value for c in got if c.clean or not errors)
    bad = sum(not c.clean and not c.is_break for c in got) if errors else 0
    breaks = sum(c.is_break for c in got) if errors else 0
    return Heard(rate, "8N1", len(good), count_readable(good), good.count(0), bad, breaks)


@pytest.mark.parametrize("errors", [True, False], ids=["with line errors", "without"])
@pytest.mark.parametrize("sender", [9600, 19200, 57600, 115200, 230400])
def test_the_rate_of_a_text_is_found(sender: int, errors: bool) -> None:
    verdict = judge([heard(TEXT, sender, rate, errors=errors) for rate in RATES])
    assert verdict.listened is Listened.TEXT
    assert verdict.best is not None
    assert (verdict.best.baud, verdict.sure) == (sender, True)


@pytest.mark.parametrize("sender", [9600, 115200])
def test_the_rate_of_data_that_is_no_text_is_found_by_its_line_errors(sender: int) -> None:
    data = random.Random(5).randbytes(200)
    verdict = judge([heard(data, sender, rate) for rate in RATES])
    assert verdict.listened is Listened.CLEAN
    assert verdict.best is not None
    assert verdict.best.baud == sender


def test_without_line_errors_data_that_is_no_text_has_no_rate() -> None:
    data = random.Random(5).randbytes(200)
    verdict = judge([heard(data, 9600, rate, errors=False) for rate in RATES])
    assert (verdict.listened, verdict.best) == (Listened.BYTES, None)


@pytest.mark.parametrize(
    ("one", "listened"),
    [
        (Heard(9600, "8N1"), Listened.NOTHING),
        (Heard(9600, "8N1", received=1, zeros=1), Listened.LOW),
        (Heard(9600, "8N1", breaks=1), Listened.LOW),  # 16550 line status register: low for a whole word
        (Heard(9600, "8N1", errors=3), Listened.BYTES),
        (Heard(9600, "8N1", received=3, readable=3), Listened.BYTES),  # too few to be no chance
        (Heard(9600, "8N1", received=40, readable=40), Listened.TEXT),
    ],
)
def test_what_listening_showed(one: Heard, listened: Listened) -> None:
    assert judge([one]).listened is listened


def test_two_rates_that_read_equally_well_are_not_sure() -> None:
    verdict = judge([Heard(9600, "8N1", 60, 60), Heard(9615, "8N1", 60, 60)])
    assert verdict.best is not None
    assert (verdict.best.baud, verdict.sure) == (9600, False)


counts = st.integers(0, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(counts.filter(lambda pair: pair[1] > 0))
def test_the_interval_is_that_of_a_general_library(pair: tuple[int, int]) -> None:
    # outside source: SciPy's binomtest(...).proportion_ci(method="wilson"); two sigma are 95.449974 %
    good, of = pair
    theirs = binomtest(good, of).proportion_ci(confidence_level=0.954499736103642, method="wilson").low
    assert wilson_low(good, of) == pytest.approx(theirs, abs=1e-9)


@given(counts)
def test_more_of_the_same_makes_surer(pair: tuple[int, int]) -> None:
    good, of = pair
    assert 0 <= wilson_low(good, of) <= (good / of if of else 0)
    assert wilson_low(2 * good, 2 * of) >= wilson_low(good, of)


heards = st.builds(
    lambda baud, received, readable, zeros, errors, breaks: Heard(
        baud, "8N1", received, min(readable, received), min(zeros, received - min(readable, received)), errors, breaks
    ),
    st.sampled_from(RATES),
    st.integers(0, 500),
    st.integers(0, 500),
    st.integers(0, 500),
    st.integers(0, 500),
    st.integers(0, 20),
)


@given(st.lists(heards, max_size=10))
def test_any_counts_give_a_verdict_that_keeps_its_word(all_heard: list[Heard]) -> None:
    verdict = judge(all_heard)
    if verdict.listened is Listened.TEXT:
        assert verdict.best is not None
        assert verdict.best.text == max(one.text for one in all_heard) >= LEAST_TEXT
    elif verdict.listened is Listened.CLEAN:
        assert verdict.best in all_heard
    else:
        assert verdict.best is None
    nothing = not any(one.characters or one.breaks for one in all_heard)
    assert (verdict.listened is Listened.NOTHING) == nothing


@given(st.binary(max_size=400))
def test_readable_bytes_are_counted_one_by_one(data: bytes) -> None:
    # ASCII (ISO/IEC 646): 20..7E are graphic, 09, 0A and 0D are tab and line ends
    assert count_readable(data) == sum(0x20 <= b < 0x7F or b in (9, 10, 13) for b in data)


@pytest.mark.parametrize(("data", "text"), [(b"ok", False), (b"tern", True), (b"\xfe\xf8\x06\xfe", False)])
def test_a_few_bytes_are_no_text(data: bytes, text: bool) -> None:
    assert reads_as_text(count_readable(data), len(data)) is text


def test_a_text_with_parity_read_without_is_still_mostly_readable_and_told_by_its_errors() -> None:
    # definition of the frame: the parity bit stands where the stop bit is expected
    one = heard(TEXT, 9600, 9600, frame=EIGHT_E_ONE)
    assert one.errors > 0
