"""Finding a program's version text in memory, by place or by pattern. Pure; what is found passes the text door."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from console.images.image import Segment
from console.text import quoted

DEFAULT_LENGTH: Final = 32
MOST_LENGTH: Final = 256


@dataclass(frozen=True, slots=True)
class VersionPlace:
    """Where the version is: `length` bytes (1..256) at `address`, or the first match of `pattern`."""

    address: int | None = None
    length: int = DEFAULT_LENGTH
    pattern: re.Pattern[bytes] | None = None


def find_version(place: VersionPlace, read: Callable[[int, int], bytes | None], parts: Iterable[Segment]) -> str | None:
    """The version as safe text, or None. `read(address, size)` gives memory, or None where it is not known."""
    if place.address is not None:
        found = read(place.address, place.length)
        if found is None:
            return None
        text = found.split(b"\0")[0].rstrip(b"\xff")
        return quoted(text, MOST_LENGTH) or None
    if place.pattern is not None:
        for part in parts:
            match = place.pattern.search(part.data)
            if match is not None:
                return quoted(match.group(1) if match.re.groups else match.group(0), MOST_LENGTH) or None
    return None
