"""The catalogue of protocol families.

A third party adds one with an entry point in the group `wakeline.protocols` that names a `protocols.family.Family`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from protocols.family import Family

_OWN: Final = {"an3155": "protocols.an3155.family"}
GROUP: Final = "wakeline.protocols"


def names() -> tuple[str, ...]:
    """Names of all families that can be loaded, our own first."""
    from importlib.metadata import entry_points  # slow to load, and only needed for families of others

    others = sorted(point.name for point in entry_points(group=GROUP) if point.name not in _OWN)
    return (*_OWN, *others)


def load(name: str) -> Family:
    """Load one family by name; LookupError names the ones that exist."""
    from protocols.family import Family  # the list of ports needs no family

    if name in _OWN:
        found = import_module(_OWN[name]).FAMILY
    else:
        from importlib.metadata import entry_points

        points = entry_points(group=GROUP, name=name)
        if not points:
            raise LookupError(f"no protocol family {name!r}; known: {', '.join(names())}")
        found = next(iter(points)).load()
    if not isinstance(found, Family):
        raise LookupError(f"the entry point {name!r} does not name a protocols.family.Family")
    return found
