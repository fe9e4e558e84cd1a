"""Product ids and the chip families that answer with them.

Belongs here: AN2606 Rev 70 (23 Feb 2026) Table 226, without the vendor's prefix. One id may be shared by several
families; then all are listed, because only the loader id inside the system memory tells them apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

# AN2606 Rev 70 s.100, Table 226
PRODUCTS: Final[Mapping[int, tuple[str, ...]]] = MappingProxyType(
    {
        0x410: ("F10x medium density",),
        0x411: ("F2x",),
        0x412: ("F10x low density",),
        0x413: ("F40x/41x",),
        0x414: ("F10x high density",),
        0x415: ("L47x/48x",),
        0x416: ("L1xxx6/8/B",),
        0x417: ("L05x/06x",),
        0x418: ("F105/107",),
        0x419: ("F42x/43x",),
        0x420: ("F100 medium value line",),
        0x421: ("F446",),
        0x422: ("F302/303xB-C", "F358"),
        0x423: ("F401xB-C",),
        0x425: ("L031/041",),
        0x427: ("L1xxxC",),
        0x428: ("F100 high value line",),
        0x429: ("L1xxx6/8/B-A",),
        0x42A: ("U3B5/3C5",),
        0x430: ("F10x XL density",),
        0x431: ("F411",),
        0x432: ("F373", "F378"),
        0x433: ("F401xD-E",),
        0x434: ("F469/479",),
        0x435: ("L43x/44x",),
        0x436: ("L1xxxD",),
        0x437: ("L1xxxE",),
        0x438: ("F303x4-8/334/328",),
        0x439: ("F301/302x4-8", "F318"),
        0x440: ("F05x", "F030x8"),
        0x441: ("F412",),
        0x442: ("F09x", "F030xC"),
        0x443: ("C011",),
        0x444: ("F03xx4/6",),
        0x445: ("F04x", "F070x6"),
        0x446: ("F302/303xD-E", "F398"),
        0x447: ("L07x/08x",),
        0x448: ("F070xB", "F071/072"),
        0x449: ("F74x/75x",),
        0x44C: ("C051",),
        0x44D: ("C091/092",),
        0x44E: ("C55x/562",),
        0x44F: ("C53x/542",),
        0x450: ("H74x/75x",),
        0x451: ("F76x/77x",),
        0x452: ("F72x/73x",),
        0x453: ("C031",),
        0x454: ("U375/385",),
        0x455: ("U535/545",),
        0x456: ("G05x/061",),
        0x457: ("L01x/02x",),
        0x458: ("F410",),
        0x459: ("U031",),
        0x45A: ("C5A3/59x",),
        0x460: ("G07x/08x",),
        0x461: ("L496/4A6",),
        0x462: ("L45x/46x",),
        0x463: ("F413/423",),
        0x464: ("L412/422",),
        0x466: ("G03x/04x",),
        0x467: ("G0B0", "G0B1/C1"),
        0x468: ("G431/441",),
        0x469: ("G47x/48x",),
        0x470: ("L4Rx/4Sx",),
        0x471: ("L4P5/4Q5",),
        0x472: ("L552/562",),
        0x474: ("H503",),
        0x476: ("U5F7-5G9",),
        0x478: ("H523/533",),
        0x479: ("G491/4A1",),
        0x47A: ("H5E/5F",),
        0x480: ("H7A3/7B3/7B0",),
        0x481: ("U595/599/5A5/5A9",),
        0x482: ("U575/585",),
        0x483: ("H72x/73x",),
        0x484: ("H562/563/573",),
        0x485: ("H7R/7S",),
        0x489: ("U073/083",),
        0x492: ("WBA5x",),
        0x493: ("C071",),
        0x494: ("WB10/15",),
        0x495: ("WB30/35/50/55",),
        0x497: ("WLE5/55",),
        0x4B0: ("WBA62-65",),
        0x4B2: ("WBA2x",),
    }
)


def names_for(pid: int) -> tuple[str, ...]:
    """Families that answer Get ID with `pid` (0..0xFFFF); empty when the table does not list it."""
    return PRODUCTS.get(pid, ())
