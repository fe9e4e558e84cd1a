"""What a bridge makes of a rate: tables of the makers' documents and of the driver sources named beside each row."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.link import bridge_rates as rates
from console.link.bridge_rates import line_rate, rate_words, too_far
from protocols.uart import EIGHT_E_ONE, EIGHT_N_ONE, Frame

# AN232B-05: 490000 -> 6.125 -> 489795.9; its table of 9600, 38400, 57600, 115200. The rest: its rule by hand.
EIGHTHS_3 = {
    300: 300.0, 1200: 1200.0, 9600: 9600.0, 19200: 19200.0, 38400: 38400.0, 57600: 57554.0, 74880: 74766.4,
    115200: 115384.6, 128000: 127659.6, 230400: 230769.2, 250000: 250000.0, 256000: 255319.1, 345600: 347826.1,
    460800: 461538.5, 490000: 489795.9, 576000: 571428.6, 921600: 923076.9, 1_000_000: 1e6, 1_500_000: 1.5e6,
    2_000_000: 2e6, 3_000_000: 3e6,
}  # fmt: skip
# AN_120 s.4.4 (12 MHz, divisor 0 and 1 are 12 and 8 MBd) with Linux 6.1 ftdi_sio.c's rounding
EIGHTHS_12 = {
    1200: 1200.0, 9600: 9600.0, 57600: 57588.5, 74880: 74883.0, 115200: 115246.1, 230400: 230215.8, 250000: 250000.0,
    460800: 461538.5, 921600: 923076.9, 1_000_000: 1e6, 2_000_000: 2e6, 3_000_000: 3e6, 8_000_000: 8e6,
    12_000_000: 12e6,
}  # fmt: skip
# AN205 Rev 0.3 Table 1: both sides of the edges
LISTED = {
    300: 300, 9600: 9600, 57600: 57600, 74880: 76800, 77608: 76800, 77609: 115200, 100000: 115200, 115200: 115200,
    117028: 115200, 117029: 128000, 670254: 576000, 670255: 921600, 1_053_257: 921600,
}  # fmt: skip
# data sheet of the 2104 Rev 1.1 s.6.1: 48 MHz / (2 * prescale * n), prescale 4 up to 365
HALVES_48 = {
    300: 300.0, 9600: 9600.0, 57600: 57554.0, 74880: 74766.4, 115200: 115384.6, 128000: 127659.6, 230400: 230769.2,
    460800: 461538.5, 576000: 571428.6, 921600: 923076.9, 1_000_000: 1e6, 1_500_000: 1.5e6,
}  # fmt: skip
# Linux 6.1 ch341.c, ch341_get_divisor by hand
PRESCALED_48 = {
    50: 50.08, 110: 110.04, 300: 300.5, 1200: 1201.9, 9600: 9615.4, 38400: 38461.5, 57600: 57692.3, 74880: 75000.0,
    115200: 115384.6, 128000: 127659.6, 230400: 230769.2, 256000: 255319.1, 460800: 461538.5, 576000: 571428.6,
    921600: 923076.9, 1_000_000: 1e6, 2_000_000: 2e6, 3_000_000: 3e6,
}  # fmt: skip

TABLES = [
    *((rates.eighths_of_3_mhz, asked, actual) for asked, actual in EIGHTHS_3.items()),
    *((rates.eighths_of_12_mhz, asked, actual) for asked, actual in EIGHTHS_12.items()),
    *((rates.listed, asked, actual) for asked, actual in LISTED.items()),
    *((rates.halves_of_48_mhz, asked, actual) for asked, actual in HALVES_48.items()),
    *((rates.prescaled_48_mhz, asked, actual) for asked, actual in PRESCALED_48.items()),
]


@pytest.mark.parametrize(("divisor", "asked", "actual"), TABLES, ids=lambda value: getattr(value, "__name__", None))
def test_a_divisor_gives_the_printed_rate(divisor, asked, actual):
    assert divisor(asked) == pytest.approx(actual, abs=0.06)


def test_between_two_and_three_megabaud_the_3_mhz_kind_has_nothing():
    # AN232B-05: no fraction between divisors 1 and 2 but 1.5
    assert rates.eighths_of_3_mhz(2_500_000) in (2e6, 3e6)
    assert rates.eighths_of_3_mhz(3_500_000) is None


def test_kinds_that_share_an_id_are_all_told():
    rate = line_rate(0x10C4, 0xEA60, 74880)
    assert rate is not None
    assert [round(one) for one in rate.actual] == [74766, 76800]  # AN205 Table 1 and the 2104's data sheet s.6.1
    assert rate.worst == pytest.approx(0.0256, abs=1e-4)
    assert too_far(rate, EIGHT_E_ONE)
    assert "76800 (+2.56 %)" in rate_words(rate)
    assert "AN205" in rate.source


def test_the_usual_rate_is_near_enough_on_every_known_bridge():
    # 115200: +0.16 % or better on all of them (the documents named above)
    for vid, pid in rates._KINDS:
        rate = line_rate(vid, pid, 115200)
        assert rate is not None
        assert rate.worst < 0.0017
        assert not too_far(rate, EIGHT_E_ONE)


@pytest.mark.parametrize("ids", [(None, None), (0x1209, 1), (0x0403, None), (0x0403, 0x0001), (0x04D8, 0x00DF)])
def test_nothing_is_claimed_about_an_unknown_bridge(ids):
    assert line_rate(*ids, 115200) is None


@given(st.sampled_from(sorted(rates._KINDS)), st.integers(-5, 20_000_000))
def test_any_rate_gives_a_positive_rate_or_unknown(ids, asked):
    rate = line_rate(*ids, asked)
    assert rate is None or all(actual > 0 for actual in rate.actual)


@given(st.integers(1200, 100_000))
def test_a_fractional_divisor_misses_by_less_than_half_an_eighth(asked):
    # AN232B-05: eighths, so the error is at most half an eighth of the smallest divisor of the range (30)
    assert abs(rates.eighths_of_3_mhz(asked) / asked - 1) <= 1 / 16 / 29.9


def test_8n1_leaves_each_end_more_room_than_8e1():
    # ATmega8A data sheet p. 198, Tables 24-2/24-3: D = 8 allows +4.58 / -4.64 %, D = 9 +4.14 / -4.19 %
    from protocols.uart import end_tolerance

    assert end_tolerance(EIGHT_N_ONE) == pytest.approx(0.0458 / 2, abs=5e-5)
    assert end_tolerance(EIGHT_E_ONE) == pytest.approx(0.0414 / 2, abs=5e-5)
    assert end_tolerance(Frame(5, "N", 1)) == pytest.approx(0.0667 / 2, abs=5e-5)
