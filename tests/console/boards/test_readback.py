"""Wrong identification values: worked values, readings of real users, properties of the arithmetic.

The worked values were computed by hand-written one-liners apart from this code. Readings marked "public thread" are
from users' reports: nimaltd spif #25, LowPowerLab SPIFlash #4, SerialFlash #31, espressif idf-extra-components #424,
neorv32 #319. Causes without such a report are common practice, no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.misreads import Bus, misreads
from console.boards.readback import ENOUGH_READINGS, Findings, explanations, narrow, parse_explanations, read_back
from console.errors import InputTrouble

RIGHT = ((8, 0xC2), (16, 0x0410), (24, 0xEF4018), (32, 0x4BA00477))
# pattern, fit, what is read instead for 8, 16, 24 and 32 bits (None: the fit does not exist at that width)
TABLE: list[tuple[str, str, tuple[int | None, int | None, int | None, int | None]]] = [
    ("all-ones", "every bit is 1", (0xFF, 0xFFFF, 0xFFFFFF, 0xFFFFFFFF)),
    ("all-zeros", "every bit is 0", (0x00, 0x0000, 0x000000, 0x00000000)),
    ("inverted", "every bit inverted", (0x3D, 0xFBEF, 0x10BFE7, 0xB45FFB88)),
    ("shifted", "left by 1, filled with 0", (0x84, 0x0820, 0xDE8030, 0x974008EE)),
    ("shifted", "left by 1, filled with 1", (0x85, 0x0821, 0xDE8031, 0x974008EF)),
    ("shifted", "right by 1, filled with 0", (0x61, 0x0208, 0x77A00C, 0x25D0023B)),
    ("shifted", "right by 1, filled with 1", (0xE1, 0x8208, 0xF7A00C, 0xA5D0023B)),
    ("shifted", "rotated left by 1", (0x85, 0x0820, 0xDE8031, 0x974008EE)),
    ("bit-reversed", "all bits in reverse order", (0x43, 0x0820, 0x1802F7, 0xEE2005D2)),
    # one byte: the same as all bits
    ("bit-reversed", "bits in reverse order in each byte", (None, 0x2008, 0xF70218, 0xD20520EE)),
    ("order-swapped", "bytes in reverse order", (None, 0x1004, 0x1840EF, 0x7704A04B)),
    ("order-swapped", "16-bit halves swapped", (None, None, None, 0x04774BA0)),
    ("bit-stuck", "bit 0 stuck at 0", (0xC2, 0x0410, 0xEF4018, 0x4BA00476)),
    ("bit-stuck", "bit 0 stuck at 1", (0xC3, 0x0411, 0xEF4019, 0x4BA00477)),
    ("bit-stuck", "bit 2 stuck at 0", (0xC2, 0x0410, 0xEF4018, 0x4BA00473)),
    ("bit-stuck", "bit 2 stuck at 1", (0xC6, 0x0414, 0xEF401C, 0x4BA00477)),
    ("bit-stuck", "bit 6 stuck at 0", (0x82, None, None, None)),
    ("bit-stuck", "bit 6 stuck at 1", (0xC2, None, None, None)),
    ("bit-stuck", "bit 14 stuck at 0", (None, 0x0410, None, None)),
    ("bit-stuck", "bit 14 stuck at 1", (None, 0x4410, None, None)),
    ("bit-stuck", "bit 22 stuck at 0", (None, None, 0xAF4018, None)),
    ("bit-stuck", "bit 22 stuck at 1", (None, None, 0xEF4018, None)),
    ("bit-stuck", "bit 30 stuck at 0", (None, None, None, 0x0BA00477)),
    ("bit-stuck", "bit 30 stuck at 1", (None, None, None, 0x4BA00477)),
    ("bits-joined", "bits 0 and 1 joined, low wins", (0xC0, 0x0410, 0xEF4018, 0x4BA00477)),
    ("bits-joined", "bits 0 and 1 joined, high wins", (0xC3, 0x0410, 0xEF4018, 0x4BA00477)),
    ("bits-joined", "bits 6 and 7 joined, low wins", (0xC2, 0x0410, 0xEF4018, 0x4BA00437)),
    ("bits-joined", "bits 6 and 7 joined, high wins", (0xC2, 0x0410, 0xEF4018, 0x4BA004F7)),
]
CELLS = [
    (pattern, fit, width, right, read)
    for pattern, fit, row in TABLE
    for (width, right), read in zip(RIGHT, row, strict=True)
    if read is not None
]


def fits(findings: Findings) -> set[tuple[str, str]]:
    return {(pattern.id, fit) for pattern in findings.patterns for fit in pattern.fits}


@pytest.mark.parametrize(("pattern", "fit", "width", "right", "read"), CELLS)
def test_every_cell_of_the_table(pattern: str, fit: str, width: int, right: int, read: int) -> None:
    (misread,) = [m for m in misreads(width, Bus.PARALLEL) if (m.pattern, m.fit) == (pattern, fit)]
    assert misread.reads(right, width) == read
    findings = read_back(right, [read] * 5, "parallel", width)
    if read == right:
        assert (findings.matches, findings.patterns, findings.ask) == (True, (), ()), "the fault does not show here"
    else:
        assert (pattern, fit) in fits(findings)
        assert findings.stable


def test_a_row_that_does_not_exist_at_a_width_fits_nothing_there() -> None:
    for pattern, fit, row in TABLE:
        for (width, _), read in zip(RIGHT, row, strict=True):
            known = {(m.pattern, m.fit) for m in misreads(width, Bus.PARALLEL)}
            if read is None and pattern != "bit-stuck":
                assert (pattern, fit) not in known


def test_left_shift_and_reversal_look_the_same_and_a_second_register_tells() -> None:
    # 0x0410 shifted left is 0x0410 reversed
    registers = {"the mirror register": 0x0410, "the revision": 0x2003}
    first = read_back(0x0410, [0x0820] * 5, "spi", 16, registers=registers)
    assert fits(first) == {
        ("shifted", "left by 1, filled with 0"),
        ("shifted", "rotated left by 1"),
        ("bit-reversed", "all bits in reverse order"),
    }
    assert first.ambiguous
    assert first.ask == ("read the revision too, which should be 0x2003: it tells these patterns apart",)
    shifted = narrow(first, read_back(0x2003, [0x4006] * 5, "spi", 16))
    assert fits(shifted) == {("shifted", "left by 1, filled with 0"), ("shifted", "rotated left by 1")}
    assert (shifted.ambiguous, shifted.ask) == (False, ())
    assert fits(narrow(first, read_back(0x2003, [0xC004] * 5, "spi", 16))) == {
        ("bit-reversed", "all bits in reverse order")
    }
    assert narrow(first, read_back(0x2003, [0x4006, 0x2003], "spi", 16)) == first, "changing readings exclude nothing"


def test_without_known_registers_any_second_one_is_asked_for() -> None:
    (ask,) = read_back(0x0410, [0x0820] * 5, "spi", 16).ask
    assert ask.startswith("read a second register")
    (ask,) = read_back(0x0410, [0x5A3C] * 5, "spi", 16).ask
    assert ask.startswith("no known pattern fits")


def test_few_readings_ask_for_more() -> None:
    one = read_back(b"\xef\x40\x18", [b"\xff\xff\xff"], "spi")
    assert (one.stable, one.width, one.readings) == (True, 24, (0xFFFFFF,))
    assert one.ask == (f"read it {ENOUGH_READINGS} times: a value that changes means something else",)
    assert read_back(b"\xef", [b"\xef"], "spi").ask == ()


@pytest.mark.parametrize(
    ("right", "read", "pattern", "role"),
    [
        ("EF4018", "EF0018", "bit-stuck", "data-out"),  # public thread spif #25: a badly connected jumper wire
        ("EF4018", "FFFFFF", "all-ones", "data-out"),  # public thread SPIFlash #4: no chip, 255 on every transfer
        ("010140", "FFFFFF", "all-ones", "supply"),  # public thread SerialFlash #31: not connected properly
        ("C84018", "FFFFFF", "all-ones", "clock"),  # public thread #424: no clock, no select or no data back
    ],
)
def test_readings_that_users_reported(right: str, read: str, pattern: str, role: str) -> None:
    findings = read_back(bytes.fromhex(right), [bytes.fromhex(read)] * 5, "spi")
    (found,) = findings.patterns
    assert found.id == pattern
    assert role in found.implicates
    assert found.source.startswith("public threads")
    assert found.next_check


def test_a_value_that_changes() -> None:
    # public thread neorv32 #319: an unknown command leaves the line floating, a probe changed the value
    findings = read_back(0xEF4018, [0xEF4018, 0xFFFFFF, 0x00A310, 0xFFFFFF, 0xEF4018], "spi", 24)
    assert not findings.stable
    assert fits(findings) == {("changing", "3 different values in 5 readings, 2 of them right")}
    assert findings.patterns[0].id == "changing"
    # right or all ones in turn: a joint that comes and goes
    again = read_back(0xEF4018, [0xEF4018, 0xFFFFFF, 0xFFFFFF], "spi", 24)
    assert [pattern.id for pattern in again.patterns] == ["changing", "all-ones"]
    assert again.ask == ()


def test_only_the_first_byte_right() -> None:
    assert fits(read_back(0xEF4018, [0xEF8730] * 5, "spi", 24)) == {
        ("first-byte-right", "EF is right, all that follows is wrong")
    }
    assert "first-byte-right" not in {p.id for p in read_back(0xEF4018, [0xEF0018] * 5, "spi", 24).patterns}


def test_known_values_and_revisions() -> None:
    chip = {"revision_mask": 0xF0000000, "known": {0x1BA00477: "the neighbour"}, "locked": {0x1: "a locked part"}}
    revision = read_back(0x4BA00477, [0x5BA00477] * 5, "jtag", 32, **chip)  # type: ignore[arg-type]
    assert {p.id for p in revision.patterns} == {"other-revision", "bit-stuck"}
    # a neighbour that differs only in the revision: both readings fit
    neighbour = read_back(0x4BA00477, [0x1BA00477] * 5, "jtag", 32, **chip)  # type: ignore[arg-type]
    assert ("another-known-id", "the value of the neighbour") in fits(neighbour)
    assert [ask.split(":")[0] for ask in neighbour.ask] == ["read a second register whose value is known"]
    # two different wrong values: no one value explains them
    two = read_back(0x4BA00477, [0x1BA00477, 0x1], "jtag", 32, **chip)  # type: ignore[arg-type]
    assert {p.id for p in two.patterns} == {"changing"}
    locked = read_back(0x4BA00477, [0x1] * 5, "jtag", 32, **chip)  # type: ignore[arg-type]
    assert [(p.id, p.caution_id) for p in locked.patterns] == [("locked-or-blank", "S15")]


def test_a_scan_word_whose_first_bit_is_0_is_no_id_code() -> None:
    # Intel article 000085911: an ID code's first bit is 1, a part in bypass gives a single 0
    shifted = read_back(0x4BA00477, [0x974008EE] * 5, "jtag", 32)
    assert {p.id for p in shifted.patterns} == {"shifted", "not-an-id-code"}
    assert "not-an-id-code" not in {p.id for p in read_back(0x4BA00477, [0xFFFFFFFF], "jtag", 32).patterns}
    assert "not-an-id-code" not in {p.id for p in read_back(0x4BA00477, [0x974008EE], "spi", 32).patterns}


def test_one_wire_for_all_bits_cannot_have_a_stuck_or_joined_bit() -> None:
    serial = read_back(0x4BA00477, [0x4BA00437] * 5, "spi", 32)
    (pattern,) = serial.patterns
    assert (pattern.id, pattern.fits, pattern.implicates) == (
        "bit-stuck", ("bit 6 stuck at 0",), ("clock", "data-out"),
    )  # fmt: skip
    assert "no stuck line" in pattern.causes[0]
    wide = read_back(0x4BA00477, [0x4BA00437] * 5, "parallel", 32)
    assert [(p.id, p.fits, p.implicates) for p in wide.patterns] == [
        ("bit-stuck", ("bit 6 stuck at 0",), ("bit 6",)),
        ("bits-joined", ("bits 6 and 7 joined, low wins",), ("bit 6", "bit 7")),
    ]


@pytest.mark.parametrize(
    ("expected", "readings", "bus", "width"),
    [
        (1, [1], "spi", None),
        (1, [1], "carrier-pigeon", 8),
        (1, [], "spi", 8),
        (1, [256], "spi", 8),
        (-1, [1], "spi", 8),
        (b"\x01", [b"\x01\x02"], "spi", None),
        (0, [0], "spi", 0),
        (0, [0], "spi", 129),
    ],
)
def test_what_cannot_be_compared(
    expected: int | bytes, readings: list[int | bytes], bus: str, width: int | None
) -> None:
    with pytest.raises(ValueError, match=r".+"):
        read_back(expected, readings, bus, width)


WIDTHS = st.sampled_from([1, 2, 7, 8, 12, 16, 24, 32, 64, 128])


@given(st.data(), WIDTHS, st.sampled_from(list(Bus)))
def test_what_was_spoiled_is_found_among_the_fits(data: st.DataObject, width: int, bus: Bus) -> None:
    right = data.draw(st.integers(0, 2**width - 1))
    misread = data.draw(st.sampled_from(misreads(width, bus)))
    read = misread.reads(right, width)
    assert 0 <= read < 1 << width
    findings = read_back(right, [read] * 5, bus, width)
    assert findings.matches == (read == right)
    assert findings.matches or (misread.pattern, misread.fit) in fits(findings)
    # a second register spoiled in the same way never excludes what was really done
    other = data.draw(st.integers(0, 2**width - 1))
    left = narrow(findings, read_back(other, [misread.reads(other, width)] * 3, bus, width))
    assert findings.matches or (misread.pattern, misread.fit) in fits(left)


@given(WIDTHS, st.sampled_from(list(Bus)), st.data())
def test_every_fit_gives_exactly_what_was_read(width: int, bus: Bus, data: st.DataObject) -> None:
    values = st.integers(0, 2**width - 1)
    right, readings = data.draw(values), data.draw(st.lists(values, min_size=1, max_size=4))
    findings = read_back(right, readings, bus, width)
    ways = {(m.pattern, m.fit): m.reads(right, width) for m in misreads(width, bus)}
    for fit in fits(findings) & ways.keys():
        assert {value for value in readings if value != right} == {ways[fit]}
    assert findings.stable == (len(set(readings)) == 1)
    assert not (findings.matches and findings.patterns)


@given(WIDTHS, st.data())
def test_twice_the_same_undoes_itself(width: int, data: st.DataObject) -> None:
    value = data.draw(st.integers(0, 2**width - 1))
    for misread in misreads(width, Bus.SPI):
        once = misread.reads(value, width)
        if misread.pattern in ("inverted", "bit-reversed", "order-swapped"):
            assert misread.reads(once, width) == value
        if misread.pattern == "bit-stuck":
            assert misread.reads(once, width) == once
            assert (once ^ value) in (0, 1 << misread.bits[0])
    turns = {m.fit: m.reads for m in misreads(width, Bus.SPI) if m.fit.startswith("rotated")}
    if turns:
        there = turns["rotated left by 1"](value, width)
        assert turns["rotated right by 1"](there, width) == value


def test_the_packaged_table_says_what_each_pattern_means() -> None:
    for (name, _), pattern in explanations().items():
        assert pattern.id == name
        assert pattern.words
        assert pattern.causes
        assert bool(pattern.caution) == bool(pattern.caution_id)
        if "ohms" in pattern.next_check:
            assert pattern.caution_id == "S01", "ohms are measured with the power off"


ONE = '[[pattern]]\nid = "all-ones"\ntitle = "t"\ncauses = ["c"]\nnext_check = "n"\nimplicates = []\nsource = "s"\n'


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("[[pattern]", None),
        (ONE, "pattern"),  # the other patterns are missing
        (ONE + ONE, "line 8"),
        (ONE.replace('title = "t"', "title = 3"), "line 3"),
        (ONE + 'bus = ["string and tin"]\n', "line 8"),
    ],
)
def test_a_broken_table_names_the_place(text: str, line: str | None) -> None:
    with pytest.raises(InputTrouble) as caught:
        parse_explanations(text, "patterns.toml")
    assert caught.value.where.startswith("patterns.toml")
    assert line is None or line in caught.value.where


@pytest.mark.parametrize(
    ("right", "read", "pattern", "share"),
    [
        (0xEF4018, 0xFFFFFF, "all-ones", 1.0),
        (0xEF4018, 0xEF0018, "bit-stuck", 1 / 24),  # each of 24 bits has one wrong level
        (0xEF4018, 0xDE8031, "shifted", 2 / 6),  # left filled with 1, and rotated left
        (0xEF4018, 0xEF1234, "first-byte-right", 255.0**-2),
        (0xEF4018, 0xC84018, "another-known-id", 1 / 2),
    ],
)
def test_how_many_of_a_patterns_values_are_the_one_read(right: int, read: int, pattern: str, share: float) -> None:
    # counted by hand from the definition of each pattern
    found = read_back(right, [read] * 5, "spi", 24, known={0xC84018: "one", 0xEF4017: "two", right: "itself"})
    assert {one.id: one.share for one in found.patterns}[pattern] == pytest.approx(share)


@given(st.integers(0, 2**16 - 1), st.integers(0, 2**16 - 1), st.sampled_from([bus.value for bus in Bus]))
def test_shares_are_chances(right: int, read: int, bus: str) -> None:
    found = read_back(right, [read] * 5, bus, 16, revision_mask=3, known={read: "a"}, locked={read: "b", right: "c"})
    assert all(0 < one.share <= 1 for one in found.patterns)


def test_a_uart_has_no_clock_to_lose_after_the_first_byte() -> None:
    assert "first-byte-right" not in {one.id for one in read_back(0x0410, [0x0422] * 5, "uart", 16).patterns}
