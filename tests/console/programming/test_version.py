"""Version texts are found by place or pattern, and are safe to show."""

from __future__ import annotations

import re

import pytest

from console.images.image import Image, Segment
from console.programming.version import VersionPlace, find_version

IMAGE = Image("x", "raw", (Segment(0x100, b"....tern 1.4.2\0rest\x1b[2J"),))


@pytest.mark.parametrize(
    ("place", "found"),
    [
        (VersionPlace(0x104, 10), "tern 1.4.2"),
        (VersionPlace(0x104, 16), "tern 1.4.2"),
        (VersionPlace(0x10F, 8), "rest\\x1b[2J"),
        (VersionPlace(0x90, 4), None),
        (VersionPlace(pattern=re.compile(rb"tern ([0-9.]+)")), "1.4.2"),
        (VersionPlace(pattern=re.compile(rb"tern [0-9.]+")), "tern 1.4.2"),
        (VersionPlace(pattern=re.compile(rb"nothing")), None),
        (VersionPlace(), None),
    ],
)
def test_versions(place: VersionPlace, found: str | None) -> None:
    assert find_version(place, IMAGE.read, IMAGE.segments) == found


def test_a_blank_place_has_no_version() -> None:
    blank = Image("x", "raw", (Segment(0, b"\xff" * 64),))
    assert find_version(VersionPlace(0, 16), blank.read, blank.segments) is None
