"""Reads and checks tables of chips: the packaged `chips.toml`, and a file of the user's for a chip that is not in it.

The same keys in both. What a user writes for a chip of his own, from its reference manual and datasheet:

    [[chip]]
    product_ids = [0x410]                         # answers to Get ID
    name = "F10x medium density"
    flash_start = 0x0800_0000
    pages = [{ count = 128, size = 0x400 }]       # erase units from flash_start on, the largest chip of the family
    least_flash_size = 0x1_0000                   # the smallest of the family; may be left out
    unit = "page"                                 # page or sector: what the erase commands count
    granule = 4                                   # bytes that one flash write needs, and their alignment
    ram = [{ start = 0x2000_0000, size = 0x5000 }]
    loader_ram = [{ start = 0x2000_0000, size = 0x200 }]
    page_erase_s = 0.04                           # the slowest unit
    program_s = 0.009                             # 256 bytes
    source = "DS5319 Rev 20 Table 28"             # which document says so

and, where they apply: core_ram, option_bytes, system_memory (as ram), mass_erase_s, erased (0x00 or 0xFF),
flash_size_address, unique_id_address, max_pages_per_erase, by_words (a table of page_erase_s, mass_erase_s, program_s
with --supply-volts), oddities (of `chips.ODDITIES`), from_memory (names of keys
that no document was read for). `console/programming/chips.py` says what each of them means.
"""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Final

from console.errors import InputTrouble, UsageTrouble
from console.images.image import ADDRESS_LIMIT, Span
from console.inputs import read_input
from console.programming.chips import ODDITIES, Chip, FlashTimes, Region, Unit
from console.text import clean
from console.tomlfile import Table, parse_toml
from protocols.an3155.products import names_for

FILE: Final = "chips.toml"
CODE: Final = "chips"
# no document says how many units one Extended Erase may name; 32 of them are a packet of 67 bytes, far below the 257
# that every loader takes when it writes (common practice, no source)
UNSTATED_MAX_PAGES: Final = 32
_LARGEST_FILE: Final = 1 << 20
_KEYS: Final = tuple(field.name for field in fields(Chip) if field.name != "flash_size")


@cache
def packaged() -> tuple[Chip, ...]:
    """The chips that come with this program. Raises InputTrouble."""
    return parse_chips(resources.files("console.programming").joinpath(FILE).read_text(encoding="utf-8"), FILE)


def load_chip_file(path: str | Path) -> tuple[Chip, ...]:
    """The chips of a user's file. Raises InputTrouble `chips` with file, line, key, what was found, what is right."""
    name = clean(str(path))
    data = read_input(path, _LARGEST_FILE, CODE, "a TOML file with [[chip]] tables")
    try:
        return parse_chips(data.decode("utf-8"), name)
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputTrouble(
            CODE, "the text is not UTF-8", where=f"{name}, line {line}", help="save the file as UTF-8"
        ) from error


def parse_chips(text: str, file: str) -> tuple[Chip, ...]:
    """The chips in TOML text. Raises InputTrouble as `load_chip_file` does."""
    top = parse_toml(text, file, CODE)
    top.only("chip")
    out: dict[str, Chip] = {}
    for entry in top.tables("chip"):
        chip = _chip(entry)
        if chip.name.casefold() in out:
            entry.wrong("name", chip.name, "a name that is used once")
        out[chip.name.casefold()] = chip
    return tuple(out.values())


def candidates(product_id: int, chips: tuple[Chip, ...] | None = None) -> tuple[Chip, ...]:
    """The chips that answer Get ID with `product_id`; of several, or with `unknown_families`, a person must choose."""
    return tuple(chip for chip in (packaged() if chips is None else chips) if product_id in chip.product_ids)


def unknown_families(product_id: int) -> tuple[str, ...]:
    """Families that answer with `product_id` but whose geometry is not in the packaged table."""
    known = {chip.name for chip in candidates(product_id)}
    return tuple(name for name in names_for(product_id) if name not in known)


def find_chip(words: str, chips: tuple[Chip, ...] | None = None) -> Chip:
    """The one chip with this product id (``0x410`` or ``410``), name, or part of a name.

    Raises UsageTrouble `chip` with those that fit, or those that are near, when it is not exactly one.
    """
    known = packaged() if chips is None else chips
    wanted = words.strip().casefold()
    product_id = _product_id(wanted)
    # a name in full wins over a product id, and both over a part of a name
    found = [chip for chip in known if chip.name.casefold() == wanted]
    found = found or [chip for chip in known if product_id in chip.product_ids]
    found = found or [chip for chip in known if wanted and wanted in chip.name.casefold()]
    others = unknown_families(product_id) if product_id is not None and chips is None else ()
    if len(found) == 1 and not others:
        return found[0]
    shown = clean(words, 40)
    if found:
        note = f"without known geometry: {', '.join(others)}" if others else ""
        raise UsageTrouble(
            "chip",
            f"{shown!r} can be {len(found) + len(others)} families of chips",
            note=note,
            help=f"say which: {', '.join(repr(chip.name) for chip in found)}",
        )
    if others:
        raise UsageTrouble(
            "chip",
            f"no flash geometry is known for {' or '.join(others)} (product id 0x{product_id:03X})",
            help="describe the chip in a file of your own and give it with --chip-file",
        )
    raise UsageTrouble(
        "chip",
        f"there is no chip {shown!r}",
        help="give one of these, or a file of your own with --chip-file: " + ", ".join(chip.name for chip in known),
    )


def chip_named(name: str | None, file: str | None) -> Chip | None:
    """The chip that a person named; a file of theirs with one chip names it too. None where nothing was named.

    Raises as `find_chip` and `load_chip_file` do.
    """
    if file is None:
        return None if name is None else find_chip(name)
    chips = load_chip_file(file)
    return chips[0] if name is None and len(chips) == 1 else find_chip(name or "", chips)


def _product_id(words: str) -> int | None:
    digits = words.removeprefix("0x")
    if not 3 <= len(digits) <= 4 or not all(char in "0123456789abcdef" for char in digits):
        return None
    return int(digits, 16)


def _chip(entry: Table) -> Chip:
    entry.only(*_KEYS)
    flash_start = entry.integer("flash_start", 0, ADDRESS_LIMIT - 1)
    granule = entry.integer("granule", 1, 256)
    if granule & (granule - 1):
        entry.wrong("granule", granule, "a power of two")
    pages, at = [], flash_start
    for row in entry.rows("pages"):
        row.only("count", "size")
        region = Region(at, row.integer("count", 1, 1 << 16), row.integer("size", 1, 1 << 24))
        if region.size % granule:
            row.wrong("size", region.size, f"a multiple of the granule, {granule}")
        pages.append(region)
        at = region.end
    if at > ADDRESS_LIMIT:
        entry.wrong("pages", f"{at - flash_start} bytes", "pages that end at or below address 0xFFFFFFFF")
    flash_size = at - flash_start
    memories = {key: _spans(entry, key) for key in ("ram", "loader_ram", "core_ram", "option_bytes", "system_memory")}
    for part in memories["loader_ram"]:
        if not any(ram.holds(part.start, part.size) for ram in memories["ram"]):
            entry.wrong("loader_ram", f"0x{part.start:08X}", "a part of what `ram` names")
    for name in entry.texts("oddities", ()):
        if name not in ODDITIES:
            entry.wrong("oddities", name, f"one of {', '.join(ODDITIES)}")
    for name in entry.texts("from_memory", ()):
        if name not in entry.data:
            entry.wrong("from_memory", name, "the name of a key that this chip has")
    if entry.text("unit") not in list(Unit):
        entry.wrong("unit", entry.text("unit"), " or ".join(Unit))
    if entry.integer("erased", 0, 0xFF, 0xFF) not in (0, 0xFF):
        entry.wrong("erased", entry.data["erased"], "0x00 or 0xFF")
    return Chip(
        product_ids=_product_ids(entry),
        name=entry.plain("name"),
        flash_start=flash_start,
        flash_size=flash_size,
        least_flash_size=entry.integer("least_flash_size", min(p.size for p in pages), flash_size, flash_size),
        pages=tuple(pages),
        unit=Unit(entry.text("unit")),
        granule=granule,
        page_erase_s=entry.number("page_erase_s", 0, 600),
        mass_erase_s=entry.number("mass_erase_s", 0, 3600) if "mass_erase_s" in entry.data else None,
        program_s=entry.number("program_s", 0, 60),
        oddities=frozenset(entry.texts("oddities", ())),
        flash_size_address=_address(entry, "flash_size_address"),
        unique_id_address=_address(entry, "unique_id_address"),
        max_pages_per_erase=entry.integer("max_pages_per_erase", 1, 0xFFF0, UNSTATED_MAX_PAGES),
        erased=entry.integer("erased", 0, 0xFF, 0xFF),
        from_memory=frozenset(entry.texts("from_memory", ())),
        source=entry.plain("source"),
        by_words=_flash_times(entry, "by_words"),
        **memories,
    )


def _flash_times(entry: Table, key: str) -> FlashTimes:
    if key not in entry.data:
        return FlashTimes()
    table, names = entry.table(key), [field.name for field in fields(FlashTimes)]
    table.only(*names)
    return FlashTimes(**{name: table.number(name, 0, 3600) for name in names if name in table.data})


def _spans(entry: Table, key: str) -> tuple[Span, ...]:
    out = []
    for row in entry.rows(key, least=0):
        row.only("start", "size")
        start = row.integer("start", 0, ADDRESS_LIMIT - 1)
        out.append(Span(start, row.integer("size", 1, ADDRESS_LIMIT - start)))
    return tuple(out)


def _address(entry: Table, key: str) -> int | None:
    return entry.integer(key, 0, ADDRESS_LIMIT - 12) if key in entry.data else None


def _product_ids(entry: Table) -> tuple[int, ...]:
    value = entry.data.get("product_ids")
    if not isinstance(value, list) or not value or any(type(v) is not int or not 0 <= v <= 0xFFFF for v in value):
        entry.wrong("product_ids", value, "a list of at least one number from 0 to 0xFFFF")
    return tuple(value)
