"""Whether an image fits a chip: one finding for each way it may not, and the words that go with it."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.images.image import Image, Segment, Span, joined
from console.images.layout import Severity, check_layout, fits, vectors
from console.programming.chip_file import find_chip
from console.programming.chips import Chip

F103 = find_chip("F10x medium density")
F407 = find_chip("F40x/41x")
FLASH = 0x0800_0000


def image(*parts: tuple[int, bytes]) -> Image:
    return Image("tern.hex", "intel-hex", joined(Segment(*part) for part in parts))


def program(stack: int = 0x2000_5000, reset: int = 0x0800_0131, size: int = 1024, at: int = FLASH) -> tuple[int, bytes]:
    return at, struct.pack("<II", stack, reset) + bytes(size - 8)


def codes(found: Image, chip: Chip | None) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for finding in check_layout(found, chip):
        out.setdefault(finding.severity.value, []).append(finding.code)
    return out


def test_a_good_program_fits() -> None:
    good = image(program())
    assert codes(good, F103) == {"fine": ["flash", "vectors"]}
    assert codes(good, None) == {"fine": ["vectors"]}
    assert fits(check_layout(good, F103))
    table = vectors(good, F103)
    assert table is not None
    assert (table.address, table.stack_pointer, table.reset) == (FLASH, 0x2000_5000, 0x0800_0131)


@pytest.mark.parametrize(
    ("part", "severity", "code", "address"),
    [
        # AN2606 Rev 70 Table 226: the loader of id 410 keeps 0x20000000 to 0x200001FF and the chip has 20 KB
        ((0x2000_0100, b"x"), "stops", "loader-ram", 0x2000_0100),
        ((0x2000_0200, b"x"), "warns", "ram", 0x2000_0200),
        ((0x2000_01FF, b"xy"), "stops", "loader-ram", 0x2000_01FF),
        ((0x2000_4FFF, b"xy"), "stops", "outside", 0x2000_5000),
        ((0x1FFF_F800, b"x"), "stops", "option-bytes", 0x1FFF_F800),
        ((0x1FFF_F000, b"x"), "stops", "system-memory", 0x1FFF_F000),
        ((0x0802_0000, b"x"), "stops", "too-large", 0x0802_0000),
        ((0x0801_FFFF, b"xy"), "stops", "too-large", 0x0802_0000),
        ((0, b"x"), "stops", "outside", 0),
        ((0xFFFF_FFFF, b"x"), "stops", "outside", 0xFFFF_FFFF),
        ((0x0801_0000, b"x"), "warns", "beyond-smallest", 0x0801_0000),
        ((0x0800_1002, b"x"), "fine", "padded", 0x0800_1002),
        ((0x0800_1000, b"x"), "fine", "padded", 0x0800_1000),
        ((0x0800_0400, b"x"), "fine", "flash", FLASH),
        ((0x0800_0401, b"x"), "fine", "gap", 0x0800_0400),
    ],
)
def test_each_part_is_placed(part: tuple[int, bytes], severity: str, code: str, address: int) -> None:
    found = [f for f in check_layout(image(program(), part), F103) if f.code == code]
    assert [(finding.severity.value, finding.address) for finding in found] == [(severity, address)]
    assert found[0].severity == Severity.FINE or found[0].help


def test_a_mirror_at_zero_is_explained() -> None:
    (finding,) = (f for f in check_layout(image(program(at=0)), F103) if f.code == "outside")
    assert "0x08000000" in finding.help
    assert "mirrors" in finding.help


def test_memory_at_the_cores_own_bus_takes_a_stack_and_nothing_else() -> None:
    assert fits(check_layout(image(program(stack=0x1001_0000)), F407))
    assert codes(image(program(), (0x1000_0000, b"x")), F407)["stops"] == ["core-ram"]


@pytest.mark.parametrize(
    ("stack", "reset", "codes_known", "codes_unknown"),
    [
        # DDI 0403: the end of RAM is a good start for a stack that grows down; its lowest address is none
        (0x2000_5000, 0x0800_0131, [], []),
        (0x2000_5004, 0x0800_0131, ["stack-pointer"], ["stack-alignment"]),
        (0x2000_0000, 0x0800_0131, ["stack-pointer"], ["stack-pointer"]),
        (0x2000_4FFE, 0x0800_0131, ["stack-pointer"], ["stack-pointer"]),
        (0x2000_4FFC, 0x0800_0131, ["stack-alignment"], ["stack-alignment"]),
        (0x0800_0400, 0x0800_0131, ["stack-pointer"], ["stack-pointer"]),
        (0x2000_5000, 0x0800_0130, ["reset-not-thumb"], ["reset-not-thumb"]),
        (0x2000_5000, 0x0800_0401, ["reset-elsewhere"], ["reset-outside"]),
        (0x2000_5000, 0x2000_0001, ["reset-outside"], ["reset-outside"]),
        (0xFFFF_FFFF, 0xFFFF_FFFF, ["vectors-erased"], ["vectors-erased"]),
        (0, 0, ["vectors-erased"], ["vectors-erased"]),
    ],
)
def test_the_vector_table(stack: int, reset: int, codes_known: list[str], codes_unknown: list[str]) -> None:
    made = image(program(stack, reset))
    for chip, expected in ((F103, codes_known), (None, codes_unknown)):
        found = codes(made, chip)
        assert [*found.get("stops", []), *found.get("warns", [])] == expected
        harmless = not expected or expected[0] in ("stack-alignment", "reset-elsewhere")
        assert fits(check_layout(made, chip)) == (harmless or chip is None)


def test_an_image_without_vectors_or_without_flash() -> None:
    assert codes(image((0x0800_2000, bytes(64))), F103)["warns"] == ["no-vectors"]
    assert codes(image((0x0800_0000, b"1234")), F103)["warns"] == ["no-vectors"]
    assert codes(image((0x0800_0000, b"1234")), None)["warns"] == ["no-vectors"]
    assert codes(image((0x2000_0200, bytes(64))), F103)["warns"] == ["ram", "ram-only"]
    assert codes(image((0x2000_0000, bytes(64))), F103) == {"stops": ["loader-ram"]}


def test_two_parts_in_one_unit_of_writing_are_told() -> None:
    chip = find_chip("G03x/04x")
    found = codes(image(program(0x2000_2000), (0x0800_1000, b"ab"), (0x0800_1004, b"cd")), chip)
    assert found["fine"].count("shared-unit") == 1
    assert "stops" not in found


def test_what_is_filled_up_is_what_the_chip_erases_to() -> None:
    for name, filler in (("F411", "with FF"), ("L05x/06x", "with 00")):
        (finding,) = (f for f in check_layout(image(program(size=1025)), find_chip(name)) if f.code == "padded")
        assert filler in finding.words


PLACES = st.sampled_from([0, FLASH, 0x0800_FFF0, 0x0801_FFF8, 0x1FFF_EFF8, 0x1FFF_F7F0, 0x2000_01F0, 0x2000_4FF0])


@given(st.lists(st.tuples(PLACES, st.integers(0, 64), st.integers(1, 3000)), min_size=1, max_size=3))
def test_every_byte_is_in_flash_or_in_a_finding(choices: list[tuple[int, int, int]]) -> None:
    parts, end = [], 0
    for at, shift, size in sorted(choices):
        if at + shift > end:
            parts.append((at + shift, bytes(size)))
            end = at + shift + size
    if not parts:
        parts = [(FLASH, b"x")]
    made = image(*parts)
    inside = all(
        any(area.holds(address) for area in (F103.flash, *F103.ram))
        and not any(area.holds(address) for area in F103.loader_ram)
        for span in made.spans
        for address in range(span.start, span.end)
    )
    stops = [f for f in check_layout(made, F103) if f.severity == Severity.STOPS and not f.code.startswith("vectors")]
    assert (not stops) == inside


@given(st.tuples(st.integers(0, 50), st.integers(0, 50)), st.tuples(st.integers(0, 50), st.integers(0, 50)))
def test_spans_are_sets_of_addresses(one: tuple[int, int], two: tuple[int, int]) -> None:
    a, b = Span(*one), Span(*two)
    set_a, set_b = set(range(a.start, a.end)), set(range(b.start, b.end))
    common = a.overlap(b)
    assert (set(range(common.start, common.end)) if common else set()) == set_a & set_b
    assert {n for part in a.without(b) for n in range(part.start, part.end)} == set_a - set_b


def test_an_image_keeps_its_promises() -> None:
    with pytest.raises(ValueError, match="at least one"):
        Image("x", "raw", ())
    for pair in (
        (Segment(4, b"a"), Segment(0, b"b")),
        (Segment(0, b"ab"), Segment(1, b"c")),
        (Segment(0, b"a"), Segment(1, b"b")),
    ):
        with pytest.raises(ValueError, match="segments at"):
            Image("x", "raw", pair)
    for address, data in ((0, b""), (-1, b"a"), (0xFFFF_FFFF, b"ab")):
        with pytest.raises(ValueError, match="no segment"):
            Segment(address, data)
    with pytest.raises(ValueError, match="overlap"):
        joined([Segment(0, b"ab"), Segment(1, b"c")])
    made = image((0, b"ab"), (4, b"cdef"))
    assert made.read(5, 2) == b"de"
    assert made.read(1, 4) is None
    assert made.word(4) == int.from_bytes(b"cdef", "little")
    # the check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms; FIPS 180-4 for "abc"
    assert image((0, b"12345"), (9, b"6789")).crc32 == 0xCBF4_3926
    assert image((0, b"a"), (9, b"bc")).sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def words(found: Image, chip: Chip | None, code: str) -> str:
    return next(one.words for one in check_layout(found, chip) if one.code == code)


@pytest.mark.parametrize("chip", [F103, None], ids=["chip", "no chip"])
def test_a_stack_pointer_is_said_to_be_what_is_wrong_with_it(chip: Chip | None) -> None:
    # DDI 0403, "The vector table" and the reset behaviour: SP[1:0] are zero; 0x20000000 to 0x20004FFF is the RAM
    assert "is no multiple of 4" in words(image(program(stack=0x2000_4FFE)), chip, "stack-pointer")
    assert " RAM" in words(image(program(stack=0x0800_0400)), chip, "stack-pointer")


@pytest.mark.parametrize(("at", "misplaced"), [(0, False), (2, True), (0x40, True), (0x80, False), (0x2000, False)])
def test_without_a_chip_a_vector_table_still_has_its_step(at: int, misplaced: bool) -> None:
    # DDI 0403, "Vector Table Offset Register": the lowest seven bits of the address are zero
    found = codes(image(program(at=FLASH + at, reset=FLASH + at + 0x131)), None)
    assert found == ({"warns": ["vectors-misplaced"]} if misplaced else {"fine": ["vectors"]})
