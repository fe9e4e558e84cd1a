"""Example boards of our own invention, packaged so that all can be tried without hardware or a layout program."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from types import MappingProxyType
from typing import Final

# name of the example -> its board file and its netlist, below this folder
BOARDS: Final[Mapping[str, str]] = MappingProxyType({"tern-b": "tern_b/tern-b.toml"})
NETLISTS: Final[Mapping[str, str]] = MappingProxyType({"tern-b": "tern_b/tern-b.356"})


def example_netlist(name: str) -> bytes:
    """The netlist file of an example. Raises KeyError for a name that is not in NETLISTS."""
    return example_file(NETLISTS[name])


def example_file(path: str) -> bytes:
    """A file below this folder. Raises OSError."""
    return resources.files("console.boards.examples").joinpath(path).read_bytes()
