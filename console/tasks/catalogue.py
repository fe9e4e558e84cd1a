"""The tasks by name, in the order in which they are offered."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Final

from console.tasks.erasing import erase
from console.tasks.job import Job
from console.tasks.looking import compare, read
from console.tasks.on_chip import Body
from console.tasks.writing import program, restore, update

TASKS: Final[Mapping[str, Callable[[Job], Body]]] = MappingProxyType(
    {"program": program, "update": update, "compare": compare, "read": read, "erase": erase, "restore": restore}
)
