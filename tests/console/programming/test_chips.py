"""What is said of chips, against the documents' printed ranges, and what a wrong description is told."""

from __future__ import annotations

import contextlib
import re
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.errors import InputTrouble, UsageTrouble
from console.images.image import Span
from console.programming import chip_file
from console.programming.chip_file import candidates, find_chip, load_chip_file, packaged, parse_chips, unknown_families
from console.programming.chips import Chip, Unit
from protocols.an3155.chip import Chip as Simulated
from protocols.an3155.products import PRODUCTS

TEXT = resources.files("console.programming").joinpath("chips.toml").read_text(encoding="utf-8")
ONE = "\n".join(line[4:] for line in (chip_file.__doc__ or "").splitlines() if line.startswith("    "))

# AN2606 Rev 70 Table 226 as printed: RAM that Read, Write and Go accept; system memory. Where two loader versions keep
# different amounts the shorter range stands here. Left out: rows that it leaves empty (F04x, F070xB, F09x) or that
# cannot be right as printed (C031, U535/545).
PRINTED = {
    "F10x medium density": ("20000200-20004FFF", "1FFFF000-1FFFF7FF"),
    "F2x": ("20002000-2001FFFF", "1FFF0000-1FFF77FF"),
    "F10x low density": ("20000200-200027FF", "1FFFF000-1FFFF7FF"),
    "F40x/41x": ("20003000-2001FFFF", "1FFF0000-1FFF77FF"),
    "F10x high density": ("20000200-2000FFFF", "1FFFF000-1FFFF7FF"),
    "L47x/48x": ("20003100-20017FFF", "1FFF0000-1FFF6FFF"),
    "L1xxx6/8/B": ("20000800-20003FFF", "1FF00000-1FF01FFF"),
    "L05x/06x": ("20001000-20001FFF", "1FF00000-1FF00FFF"),
    "F105/107": ("20001000-2000FFFF", "1FFFB000-1FFFF7FF"),
    "F42x/43x": ("20003000-2002FFFF", "1FFF0000-1FFF77FF"),
    "F446": ("20003000-2001FFFF", "1FFF0000-1FFF77FF"),
    "F302/303xB-C": ("20001400-20009FFF", "1FFFD800-1FFFF7FF"),
    "F401xB-C": ("20003000-2000FFFF", "1FFF0000-1FFF77FF"),
    "L1xxxC": ("20001000-20007FFF", "1FF00000-1FF01FFF"),
    "L1xxx6/8/B-A": ("20001000-20007FFF", "1FF00000-1FF01FFF"),
    "F10x XL density": ("20000800-20017FFF", "1FFFE000-1FFFF7FF"),
    "F411": ("20003000-2001FFFF", "1FFF0000-1FFF77FF"),
    "F401xD-E": ("20003000-20017FFF", "1FFF0000-1FFF77FF"),
    "L43x/44x": ("20003100-2000BFFF", "1FFF0000-1FFF6FFF"),
    "F303x4-8/334/328": ("20001800-20002FFF", "1FFFD800-1FFFF7FF"),
    "F05x": ("20000800-20001FFF", "1FFFEC00-1FFFF7FF"),
    "F030x8": ("20000800-20001FFF", "1FFFEC00-1FFFF7FF"),
    "F030xC": ("20001800-20007FFF", "1FFFD800-1FFFF7FF"),
    "F03xx4/6": ("20000800-20000FFF", "1FFFEC00-1FFFF7FF"),
    "L07x/08x": ("20001400-20004FFF", "1FF00000-1FF01FFF"),
    "F071/072": ("20001800-20003FFF", "1FFFC800-1FFFF7FF"),
    "F74x/75x": ("20004000-2004FFFF", "1FF00000-1FF0EDBF"),
    "G07x/08x": ("20002700-20008FFF", "1FFF0000-1FFF6FFF"),  # printed 20009000: the first address behind it
    "L45x/46x": ("20003100-2001FFFF", "1FFF0000-1FFF6FFF"),
    "G03x/04x": ("20001000-20001FFF", "1FFF0000-1FFF1FFF"),
    "G0B0": ("20004000-2001FFFF", "1FFF0000-1FFF6FFF"),  # printed 20020000, the same
    "G0B1/C1": ("20004000-2001FFFF", "1FFF0000-1FFF6FFF"),
    "G431/441": ("20004000-200057FF", "1FFF0000-1FFF6FFF"),  # printed 20005800 and 1FFF7000, the same
    "G47x/48x": ("20004000-20017FFF", "1FFF0000-1FFF6FFF"),  # printed 20018000 and 1FFF7000, the same
    "H503": ("20004000-20007FFF", "0BF87000-0BF8FFFF"),
    "H72x/73x": ("20004100-2001FFFF", "1FF00000-1FF1E7FF"),
}


def printed(words: str) -> Span:
    first, last = (int(part, 16) for part in words.split("-"))
    return Span(first, last - first + 1)


def test_every_chip_is_a_listed_family_with_a_source() -> None:
    for chip in packaged():
        for product_id in chip.product_ids:
            assert chip.name in PRODUCTS[product_id]
        assert "Table" in chip.source
        assert "AN2606 Rev 70" in chip.source
        assert chip.page_erase_s <= (chip.mass_erase_s or 60)


def test_ram_and_rom_are_those_of_an2606() -> None:
    assert set(PRINTED) < {chip.name for chip in packaged()}
    for chip in packaged():
        if chip.name in PRINTED:
            usable = [part for ram, own in zip(chip.ram, chip.loader_ram, strict=True) for part in ram.without(own)]
            assert usable[0] == printed(PRINTED[chip.name][0]), chip.name
            assert chip.system_memory[0] == printed(PRINTED[chip.name][1]), chip.name


def test_flash_writes_are_aligned_as_an2606_asks() -> None:
    # AN2606 Rev 70 Table 7: the least alignment by family; more is allowed
    least = {"F0": 4, "F1": 4, "F2": 4, "F3": 4, "F4": 4, "C0": 8, "F7": 8, "G4": 8, "H7": 8, "L0": 8, "L1": 8, "L4": 8}
    least |= {"H5": 16, "U5": 16, "G0": 4}
    for chip in packaged():
        assert chip.granule % least[chip.name[:2]] == 0, chip.name
        assert chip.granule == least[chip.name[:2]] or chip.name[:2] in ("G0", "H7")


def test_the_simulated_chip_was_described_alike() -> None:
    # two descriptions of id 410, both from the documents, written apart
    chip, other = find_chip("0x410"), Simulated()
    assert (chip.flash_start, chip.flash_size) == (other.flash_start, other.flash_size)
    assert chip.page_range(5) == Span(0x0800_1400, other.page_size)
    assert (chip.ram[0].start, chip.ram[0].size) == (other.ram[0].start, other.ram[0].size)
    assert (chip.loader_ram[0].start, chip.loader_ram[0].size) == (other.loader_ram.start, other.loader_ram.size)
    assert (chip.option_bytes[0].start, chip.option_bytes[0].size) == (other.option.start, other.option.size)


@pytest.mark.parametrize(
    ("name", "number", "start", "size"),
    [
        # DS5319 Rev 20 memory map: 0x08000000 to 0x0801FFFF in pages of 1 KB
        ("F10x medium density", 127, 0x0801_FC00, 0x400),
        # reference manual RM0090, "Flash module - 1 Mbyte": sectors 3, 4, 5, 11; from memory
        ("F40x/41x", 3, 0x0800_C000, 0x4000),
        ("F40x/41x", 4, 0x0801_0000, 0x1_0000),
        ("F40x/41x", 5, 0x0802_0000, 0x2_0000),
        ("F40x/41x", 11, 0x080E_0000, 0x2_0000),
        # RM0090 Rev 11 p. 76: each bank of a 2 MB chip has the same sectors
        ("F42x/43x", 12, 0x0810_0000, 0x4000),
        ("F42x/43x", 23, 0x081E_0000, 0x2_0000),
        # DS10916 Rev 5: 4 x 32 KB, 128 KB, 3 x 256 KB
        ("F74x/75x", 4, 0x0802_0000, 0x2_0000),
        ("F74x/75x", 7, 0x080C_0000, 0x4_0000),
        # RM0377 s.3.3.1: pages of 128 bytes
        ("L031/041", 255, 0x0800_7F80, 128),
    ],
)
def test_erase_units_lie_where_the_manuals_say(name: str, number: int, start: int, size: int) -> None:
    chip = find_chip(name)
    assert chip.page_range(number) == Span(start, size)
    assert chip.page_of(start) == chip.page_of(start + size - 1) == number
    assert chip.pages_covering([Span(start, 1), Span(start + 4, size - 4)]) == (number,)


def test_outside_of_the_flash_there_are_no_erase_units() -> None:
    chip = find_chip("F411")
    assert chip.unit is Unit.SECTOR
    assert chip.pages_covering([Span(0, 0), Span(0x0800_3FFF, 2)]) == (0, 1)
    for address in (0x07FF_FFFF, chip.flash.end):
        with pytest.raises(ValueError, match="not in the flash"):
            chip.page_of(address)
    for number in (-1, 8):
        with pytest.raises(ValueError, match="from 0 to 7"):
            chip.page_range(number)


def test_a_chip_gets_the_size_it_really_has() -> None:
    small = find_chip("F40x/41x").sized(512 * 1024)
    assert (small.flash_size, small.page_count, small.page_range(7).end) == (512 * 1024, 8, 0x0808_0000)
    assert find_chip("F10x medium density").sized(65_536).page_count == 64
    for size in (256 * 1024, 513 * 1024, 2048 * 1024):
        with pytest.raises(ValueError, match="bytes of flash are no"):
            find_chip("F40x/41x").sized(size)
    with pytest.raises(ValueError, match="no size of"):
        find_chip("G47x/48x").sized(256 * 1024)


@given(st.sampled_from(packaged()), st.data())
def test_pages_tile_the_flash(chip: Chip, data: st.DataObject) -> None:
    assert chip.pages[0].start == chip.flash_start
    assert chip.pages[-1].end == chip.flash.end
    address = data.draw(st.integers(chip.flash_start, chip.flash.end - 1))
    assert chip.page_range(chip.page_of(address)).holds(address)
    size = data.draw(st.integers(1, chip.flash.end - address))
    numbers = chip.pages_covering([Span(address, size)])
    assert numbers == tuple(range(chip.page_of(address), chip.page_of(address + size - 1) + 1))


# --- finding one


def test_shared_and_unlisted_ids_are_left_to_a_person() -> None:
    assert [chip.name for chip in candidates(0x440)] == ["F05x", "F030x8"]
    assert (candidates(0x999), unknown_families(0x999)) == ((), ())
    assert ([chip.name for chip in candidates(0x422)], unknown_families(0x422)) == (["F302/303xB-C"], ("F358",))
    for words, told in (
        ("0x440", "'F05x', 'F030x8'"),
        ("440", "'F05x', 'F030x8'"),
        ("f10X", "'F10x low density'"),
        ("422", "'F302/303xB-C'"),
        ("0x420", "--chip-file"),
        ("", "--chip-file"),
        ("nothing\x1b", "--chip-file"),
    ):
        with pytest.raises(UsageTrouble) as refused:
            find_chip(words)
        assert told in refused.value.help
        assert "\x1b" not in refused.value.message
    for words in ("0x410", "410", "f10x medium density", "Medium", " F10x medium density "):
        assert find_chip(words).name == "F10x medium density"


# --- a file of the user's


def test_the_example_in_the_documentation_is_a_chip(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(ONE, encoding="utf-8")
    (chip,) = load_chip_file(tmp_path / "mine.toml")
    packed = find_chip("0x410")
    assert (chip.pages, chip.ram, chip.loader_ram, chip.erased) == (packed.pages, packed.ram, packed.loader_ram, 0xFF)
    assert chip.max_pages_per_erase == chip_file.UNSTATED_MAX_PAGES
    assert find_chip("410", (chip,)) is chip


@pytest.mark.parametrize(
    ("old", "new", "key", "found"),
    [
        ("unit = ", "unti = ", "chip F10x medium density.unti", "'unti'"),
        ('unit = "page"', 'unit = "block"', "chip F10x medium density.unit", "'block'"),
        ("granule = 4", "granule = 3", "chip F10x medium density.granule", "3"),
        ("granule = 4", "granule = true", "chip F10x medium density.granule", "true"),
        ("size = 0x400 ", "size = 0x402 ", "chip F10x medium density.pages 1.size", "1026"),
        ("count = 128", "count = 0", "chip F10x medium density.pages 1.count", "0"),
        ("pages = [{", "pages = [1, {", "chip F10x medium density.pages", "[1, "),
        ("flash_start = 0x0800_0000", "flash_start = 0xFFFF_FFFF", "chip F10x medium density.pages", "'131072 bytes'"),
        ("0x1_0000", "0x100_0000", "chip F10x medium density.least_flash_size", "16777216"),
        ("product_ids = [0x410]", "product_ids = []", "chip F10x medium density.product_ids", "[]"),
        ("product_ids = [0x410]", "product_ids = [-1]", "chip F10x medium density.product_ids", "[-1]"),
        ("size = 0x200 ", "size = 0x6000 ", "chip F10x medium density.loader_ram", "'0x20000000'"),
        ("size = 0x5000 ", "size = 0xF000_0000 ", "chip F10x medium density.ram 1.size", "4026531840"),
        ("page_erase_s = 0.04", "page_erase_s = nan", "chip F10x medium density.page_erase_s", "nan"),
        ('name = "F10x', 'name = "F10x\\u001b', "chip F10x\\x1b medium density.name", "'F10x\\x1b"),
        ("granule = 4", "granule = 4\nerased = 1", "chip F10x medium density.erased", "1"),
        ("granule = 4", 'granule = 4\noddities = ["x"]', "chip F10x medium density.oddities", "'x'"),
        ("granule = 4", 'granule = 4\nfrom_memory = ["x"]', "chip F10x medium density.from_memory", "'x'"),
        ("[[chip]]", "[[chips]]", "chips", "'chips'"),
    ],
)
def test_a_wrong_description_is_told_where_and_what(old: str, new: str, key: str, found: str) -> None:
    assert old in ONE
    broken = ONE.replace(old, new, 1)
    with pytest.raises(InputTrouble) as refused:
        parse_chips(broken, "mine.toml")
    told = refused.value
    row = re.search(r"(\w+)( 1\.\w+)?$", key)[1]  # type: ignore[index]  # a list of tables stands on one line
    line = 1 + [text.split("=")[0].strip(" []") for text in broken.splitlines()].index(row)
    assert told.where == f"mine.toml, line {line}, {key}"
    assert told.message.startswith(f"{key}: found {found}")
    assert told.help.startswith("write ")


def test_names_are_used_once_and_files_must_be_readable(tmp_path: Path) -> None:
    with pytest.raises(InputTrouble, match="name: found 'F10x medium density'"):
        parse_chips(f"{ONE}\n{ONE}", "mine.toml")
    (tmp_path / "latin.toml").write_bytes(b"# ok\n# \xe4\n")
    with pytest.raises(InputTrouble) as refused:
        load_chip_file(tmp_path / "latin.toml")
    assert refused.value.where.endswith("latin.toml, line 2")
    for name in (".", "absent"):
        with pytest.raises(InputTrouble):
            load_chip_file(tmp_path / name)
    (tmp_path / "large.toml").write_bytes(b"#" * ((1 << 20) + 1))
    with pytest.raises(InputTrouble, match="1 MiB"):
        load_chip_file(tmp_path / "large.toml")


@given(st.integers(0, len(ONE) - 1), st.integers(1, 60), st.text(max_size=5))
def test_a_damaged_description_never_ends_in_anything_but_our_error(start: int, length: int, put: str) -> None:
    with contextlib.suppress(InputTrouble):
        assert parse_chips(ONE[:start] + put + ONE[start + length :], "mine.toml")
