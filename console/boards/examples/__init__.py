"""Example boards of our own invention, packaged so that all can be tried without hardware or a layout program."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from types import MappingProxyType
from typing import Final

# name of the example -> its netlist, below this folder
NETLISTS: Final[Mapping[str, str]] = MappingProxyType({"tern-b": "tern_b/tern-b.356"})


def example_netlist(name: str) -> bytes:
    """The netlist file of an example. Raises KeyError for a name that is not in NETLISTS."""
    return resources.files("console.boards.examples").joinpath(NETLISTS[name]).read_bytes()
