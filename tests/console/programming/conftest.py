"""Images, chips and boards for tests of programming. Geometry: DS5319 Rev 20 Table 28 (1 KB pages, 128 KB)."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

import protocols
from console.images.image import Image, Segment
from console.programming.chip_file import find_chip
from console.programming.chips import Chip
from protocols.family import Identity
from protocols.programmer import Programmer

FLASH = 0x0800_0000


def make_image(size: int, start: int = FLASH, seed: int = 1) -> Image:
    """`size` bytes that no rule makes."""
    return Image("test.bin", "raw", (Segment(start, random.Random(seed).randbytes(size)),))


@pytest.fixture
def f10x() -> Chip:
    return find_chip("0x410")


@pytest.fixture
def programmer() -> Programmer:
    family = protocols.load("an3155")
    assert family.programmer is not None
    names = ("Get", "Get Version", "Get ID", "Read Memory", "Go", "Write Memory", "Erase", "Readout Unprotect")
    return family.programmer(Identity(product_id=0x410, commands=names))


@pytest.fixture
def image() -> Callable[..., Image]:
    return make_image
