"""Product ids against AN2606 Rev 70 s.100, Table 226 (spot checks)."""

from __future__ import annotations

import pytest

from protocols.an3155.products import PRODUCTS, names_for


@pytest.mark.parametrize(
    ("pid", "names"),
    [
        (0x410, ("F10x medium density",)),
        (0x411, ("F2x",)),
        (0x412, ("F10x low density",)),
        (0x413, ("F40x/41x",)),
        (0x414, ("F10x high density",)),
        (0x415, ("L47x/48x",)),
        (0x418, ("F105/107",)),
        (0x420, ("F100 medium value line",)),
        (0x422, ("F302/303xB-C", "F358")),
        (0x432, ("F373", "F378")),
        (0x439, ("F301/302x4-8", "F318")),
        (0x440, ("F05x", "F030x8")),
        (0x442, ("F09x", "F030xC")),
        (0x445, ("F04x", "F070x6")),
        (0x446, ("F302/303xD-E", "F398")),
        (0x448, ("F070xB", "F071/072")),
        (0x450, ("H74x/75x",)),
        (0x466, ("G03x/04x",)),
        (0x467, ("G0B0", "G0B1/C1")),
        (0x42A, ("U3B5/3C5",)),
        (0x495, ("WB30/35/50/55",)),
        (0x4B2, ("WBA2x",)),
    ],
)
def test_spot_checks(pid, names):
    assert names_for(pid) == names


def test_unknown():
    assert names_for(0x123) == ()


def test_shape():
    assert len(PRODUCTS) == 85
    assert all(0x410 <= pid <= 0x4FF for pid in PRODUCTS)  # s.3.3 of AN3155 Rev 20: the first byte is 04
    every = [name for names in PRODUCTS.values() for name in names]
    assert len(every) == len(set(every))
    assert all(name == name.strip() and name.isprintable() and name.isascii() for name in every)
