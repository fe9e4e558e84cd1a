"""A TOML table that knows its file, line and key, for messages about a broken catalogue."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NoReturn

from console.errors import InputTrouble

_HEADER: Final = re.compile(r"\s*\[\[?\s*([A-Za-z0-9_.\-]+)\s*\]\]?")
_PAIR: Final = re.compile(r"""\s*((?:[A-Za-z0-9_\-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_\-]+|"[^"]*"))*)\s*=""")


@dataclass(frozen=True, slots=True)
class Table:
    """`path` names the table for a person; `first` and `last` bound its lines (counted from 1) in `lines`."""

    file: str
    path: str
    data: Mapping[str, Any]
    lines: tuple[str, ...] = ()
    first: int = 1
    keys: tuple[str, ...] = ()
    block: bool = False

    def wrong(self, key: str, found: object, right: str) -> NoReturn:
        """Raise InputTrouble with file, line, key, what was found and what would be right."""
        where = f"{self.path}.{key}" if self.path else key
        raise InputTrouble(
            "catalogue",
            f"{where}: found {found!r}",
            where=f"{self.file}, line {self.line(key)}, {where}",
            help=f"write {right}",
        )

    def line(self, key: str) -> int:
        """The line that holds `key`, or where its table begins. A scan of the text: the parser gives no lines."""
        wanted = (*self.keys, *key.split("."))
        best, depth, prefix = self.first, 0, ()  # type: tuple[int, int, tuple[str, ...]]
        for number, text in enumerate(self.lines[self.first - 1 :], self.first):
            header = _HEADER.match(text)
            if header is not None:
                if number > self.first and (text.lstrip().startswith("[[") or not self._inside(header[1])):
                    if self.block:
                        break
                    prefix = ("?",) if text.lstrip().startswith("[[") else tuple(header[1].split("."))
                    continue
                prefix = tuple(header[1].split("."))[1:] if number > self.first else ()
                continue
            pair = _PAIR.match(text)
            if pair is None:
                continue
            here = prefix + tuple(part.strip().strip("\"'") for part in pair[1].split("."))
            shared = next(
                (n for n, (a, b) in enumerate(zip(here, wanted, strict=False)) if a != b), min(len(here), len(wanted))
            )
            if shared > depth:
                best, depth = number, shared
        return best

    def _inside(self, header: str) -> bool:
        own = self.lines[self.first - 1].strip().strip("[]").strip() if self.lines else ""
        return bool(own) and header.startswith(own + ".")

    def text(self, key: str) -> str:
        """A text that is not empty. Raises InputTrouble."""
        value = self.data.get(key)
        if not isinstance(value, str) or not value:
            self.wrong(key, value, "a text that is not empty")
        return value

    def texts(self, key: str, default: tuple[str, ...] | None = None) -> tuple[str, ...]:
        """A list of texts; `default` where the key may be missing. Raises InputTrouble."""
        if default is not None and key not in self.data:
            return default
        value = self.data.get(key)
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.wrong(key, value, "a list of texts")
        return tuple(value)

    def flag(self, key: str) -> bool:
        """True or false, false where it is missing. Raises InputTrouble."""
        value = self.data.get(key, False)
        if not isinstance(value, bool):
            self.wrong(key, value, "true or false")
        return value

    def number(self, key: str, above: float, upto: float) -> float:
        """A number in (above, upto]. Raises InputTrouble."""
        value = self.data.get(key)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not above < value <= upto:
            self.wrong(key, value, f"a number above {above:g} and up to {upto:g}")
        return float(value)

    def table(self, key: str) -> Table:
        """The table under `key`. Raises InputTrouble."""
        value = self.data.get(key)
        if not isinstance(value, dict):
            self.wrong(key, value, "a table")
        path = f"{self.path}.{key}" if self.path else key
        return Table(self.file, path, value, self.lines, self.first, (*self.keys, key), self.block)

    def chances(self, key: str, allowed: Mapping[str, object]) -> dict[str, float]:
        """A table of "default" and exceptions, each a chance in (0, 1). Raises InputTrouble."""
        table = self.table(key)
        table.number("default", 0, 1)
        for name in table.data:
            if name != "default" and name not in allowed:
                table.wrong(name, name, "the id of a cause")
        return {name: table.number(name, 0, 1) for name in table.data}

    def tables(self, key: str) -> list[Table]:
        """All [[key]] of the file, in order; at least one. Raises InputTrouble."""
        value = self.data.get(key)
        if not isinstance(value, list) or not value or not all(isinstance(item, dict) for item in value):
            self.wrong(key, value, f"at least one [[{key}]]")
        header = re.compile(rf"\s*\[\[\s*{re.escape(key)}\s*\]\]")
        starts = [number for number, text in enumerate(self.lines, 1) if header.match(text)]
        starts += [1] * (len(value) - len(starts))  # written inline: then only the key can be named
        return [
            Table(self.file, f"{key} {item.get('id', number)}", item, self.lines, start, block=True)
            for (number, item), start in zip(enumerate(value, 1), starts, strict=False)
        ]
