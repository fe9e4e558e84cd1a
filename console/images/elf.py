"""ELF: the parts of a linked 32-bit ARM program that are loaded into memory, at their physical (load) addresses.

Source: Tool Interface Standard "Executable and Linking Format", version 1.2, May 1995, book I; ELF for the Arm
Architecture (IHI 0044) for EM_ARM. Headers are read by pyelftools, the well-kept library for it; it checks little, so
what a chip cannot use is refused here. A loadable segment may begin with the file's own headers and with padding (the
linker aligns segments to its page size), so only what lies in its allocated sections is taken, as GNU objcopy does:
an ELF file and the HEX file made from it are the same image.
"""

from __future__ import annotations

import io
from itertools import pairwise
from typing import TYPE_CHECKING, Final, NoReturn

from console.errors import InputTrouble
from console.images.image import ADDRESS_LIMIT, Image, Segment, joined
from console.text import clean

if TYPE_CHECKING:
    from elftools.elf.elffile import ELFFile

NAME: Final = "elf"
CODE: Final = "image-elf"
MAGIC: Final = b"\x7fELF"
_SHF_ALLOC: Final = 2
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
        loaded, entry = _contents(elf, data, path)
    except InputTrouble:
        raise
    except Exception as error:  # the library stumbles over damaged files in any way there is
        what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        _wrong(path, f"the ELF headers are damaged ({clean(what, 80)})", "make the file again or copy it again")
    if not loaded:
        _wrong(path, "the file loads nothing into memory", _LINK)
    loaded.sort(key=lambda piece: piece.address)
    for below, above in pairwise(loaded):
        if below.end > above.address:
            _wrong(
                path, f"two parts are loaded at 0x{above.address:08X}", "look at the load addresses in the link script"
            )
    return Image(path, NAME, joined(loaded), entry or None)


def _contents(elf: ELFFile, data: bytes, path: str) -> tuple[list[Segment], int]:
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
    sections = [
        (part.header.sh_offset, part.header.sh_size)
        for part in elf.iter_sections()
        if part.header.sh_flags & _SHF_ALLOC and part.header.sh_type != "SHT_NOBITS" and part.header.sh_size
    ]
    out = []
    for number, segment in enumerate(elf.iter_segments()):
        offset, size, address = segment.header.p_offset, segment.header.p_filesz, segment.header.p_paddr
        if segment.header.p_type != "PT_LOAD" or not size:
            continue
        if offset + size > len(data):
            _wrong(
                path,
                f"segment {number} ends at byte {offset + size} of a file of {len(data)}: it is cut short",
                "copy the file again",
            )
        if address + size > ADDRESS_LIMIT:
            _wrong(path, f"segment {number} goes beyond address 0xFFFFFFFF", _LINK)
        inside = [(at, n) for at, n in sections if offset <= at and at + n <= offset + size]
        out += [Segment(address + at - offset, data[at : at + n]) for at, n in inside or [(offset, size)]]
    return out, header.e_entry


def _wrong(path: str, found: str, help: str) -> NoReturn:
    raise InputTrouble(CODE, found, where=path, help=help)
