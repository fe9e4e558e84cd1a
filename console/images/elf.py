"""ELF: the parts of a linked 32-bit ARM program that are loaded into memory, at their physical (load) addresses.

Source: Tool Interface Standard "Executable and Linking Format", version 1.2, May 1995, book I; ELF for the Arm
Architecture (IHI 0044) for EM_ARM. Headers are read by pyelftools, the well-kept library for it; it checks little, so
what a chip cannot use is refused here. A loadable segment may begin with the file's own headers and with padding (the
linker aligns segments to its page size), so only what lies in its allocated sections is taken, as GNU objcopy does:
an ELF file and the HEX file made from it are the same image.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final, NoReturn

from console.errors import InputTrouble
from console.images.image import ADDRESS_LIMIT, Image, Segment, joined
from console.text import clean

if TYPE_CHECKING:
    from elftools.elf.elffile import ELFFile

NAME: Final = "elf"
CODE: Final = "image-elf"
MAGIC: Final = b"\x7fELF"
_ALLOC: Final = 2  # SHF_ALLOC, figure 1-12
_MOST_HEADERS: Final = 4096
_AGAIN: Final = "make the file again or copy it again"
_LINK: Final = "give the file that the linker made for this chip"
_TYPES: Final = {
    "ET_REL": "an object file that was not linked yet",
    "ET_CORE": "a core dump",
    "ET_DYN": "a shared library or position-independent program",
}


def read_elf(data: bytes, path: str) -> Image:
    """The image in `data`. Raises InputTrouble `image-elf`."""
    from elftools.elf.elffile import ELFFile

    try:
        elf = ELFFile(io.BytesIO(data))
        _refuse_others(elf, path)
        loads, sections = _headers(elf, path)
    except InputTrouble:
        raise
    except Exception as error:  # the library stumbles over damaged files in any way there is
        what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        _wrong(path, f"the ELF headers are damaged ({clean(what, 80)})", _AGAIN)
    parts = sorted(_parts(loads, sections, len(data), path))
    if not parts:
        _wrong(path, "the file loads nothing into memory", _LINK)
    for (below, _, size), (above, _, _) in pairwise(parts):
        if below + size > above:
            _wrong(path, f"two parts are loaded at 0x{above:08X}", "look at the load addresses in the link script")
    if sum(size for _, _, size in parts) > len(data):
        # nothing real does this, and 65 535 headers that name the same bytes would fill any memory
        _wrong(path, "the file loads more bytes than it has", _AGAIN)
    segments = joined(Segment(address, data[at : at + size]) for address, at, size in parts)
    return Image(path, NAME, segments, elf.header.e_entry or None)


def _refuse_others(elf: ELFFile, path: str) -> None:
    header = elf.header
    if elf.elfclass != 32:
        _wrong(path, f"a {elf.elfclass}-bit ELF file, where these chips are 32-bit", _LINK)
    if not elf.little_endian:
        _wrong(path, "a big-endian ELF file, where these chips are little-endian", _LINK)
    if header.e_machine != "EM_ARM":
        _wrong(path, f"an ELF file for {clean(str(header.e_machine), 40)}, not for EM_ARM", _LINK)
    if header.e_type != "ET_EXEC":
        kind = _TYPES.get(header.e_type, f"an ELF file of type {clean(str(header.e_type), 40)}")
        _wrong(path, f"{kind}, not an executable", _LINK)


def _headers(elf: ELFFile, path: str) -> tuple[list[Any], list[Any]]:
    """The headers of loadable segments and of sections with loaded bytes.

    Read one by one: the library's own walk looks up names, which a hostile table of names can make endless.
    """
    from elftools.common.utils import struct_parse

    header = elf.header
    if header.e_phnum + header.e_shnum > _MOST_HEADERS:
        _wrong(path, f"{header.e_phnum} segments and {header.e_shnum} sections; a program has some dozens", _AGAIN)
    segments = [
        struct_parse(elf.structs.Elf_Phdr, elf.stream, header.e_phoff + n * header.e_phentsize)
        for n in range(header.e_phnum)
    ]
    sections = [
        struct_parse(elf.structs.Elf_Shdr, elf.stream, header.e_shoff + n * header.e_shentsize)
        for n in range(header.e_shnum)
    ]
    return (
        [each for each in segments if each.p_type == "PT_LOAD" and each.p_filesz],
        [each for each in sections if each.sh_flags & _ALLOC and each.sh_type != "SHT_NOBITS" and each.sh_size],
    )


def _parts(loads: list[Any], sections: list[Any], length: int, path: str) -> Iterator[tuple[int, int, int]]:
    """What is loaded: address, offset in the file, size."""
    for load in loads:
        start, end = load.p_offset, load.p_offset + load.p_filesz
        if end > length:
            _wrong(path, f"a segment ends at byte {end} of a file of {length}: it is cut short", "copy the file again")
        if load.p_paddr + load.p_filesz > ADDRESS_LIMIT:
            _wrong(path, f"the segment at 0x{load.p_paddr:08X} goes beyond address 0xFFFFFFFF", _LINK)
        inside = [
            (each.sh_offset, each.sh_size)
            for each in sections
            if start <= each.sh_offset and each.sh_offset + each.sh_size <= end
        ]
        for at, size in inside or [(start, load.p_filesz)]:
            yield load.p_paddr + at - start, at, size


def _wrong(path: str, found: str, help: str) -> NoReturn:
    raise InputTrouble(CODE, found, where=path, help=help)
