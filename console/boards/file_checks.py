"""What the tables of a board file have in common: names that must exist, limits that must make sense."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable

from console.boards.limits import Limits
from console.tomlfile import Table


def known(entry: Table, key: str, name: str, names: Iterable[str], words: str) -> None:
    """Raise InputTrouble unless `name` is one of `names`; names like it are suggested."""
    every = list(names)
    if name in every:
        return
    close = difflib.get_close_matches(name[:80], every[:20_000], n=3, cutoff=0.5)
    entry.wrong(key, name, words + (f"; names like it: {', '.join(close)}" if close else ""))


def read_limits(entry: Table, unit: str) -> Limits:
    """`least` and `most` of a table, each infinite where it is missing. Raises InputTrouble."""
    ends: list[float] = []
    for key, missing in (("least", -math.inf), ("most", math.inf)):
        value = entry.data.get(key, missing)
        if isinstance(value, bool) or not isinstance(value, int | float) or math.isnan(value):
            entry.wrong(key, value, f"a number{' of ' + unit if unit else ''}")
        ends.append(float(value))
    source = entry.plain("source") if "source" in entry.data else ""
    try:
        return Limits(ends[0], ends[1], unit, source)
    except ValueError as error:
        entry.wrong("least", entry.data.get("least"), f"least and most so that {error}")
