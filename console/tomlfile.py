"""TOML files of our own and of users: a table that knows its file, line and key, for messages about what is wrong."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NoReturn

from console.errors import InputTrouble
from console.text import clean

_HEADER: Final = re.compile(r"\s*\[\[?\s*([A-Za-z0-9_.\-]+)\s*\]\]?")
_PAIR: Final = re.compile(r"""\s*((?:[A-Za-z0-9_\-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_\-]+|"[^"]*"))*)\s*=""")


def parse_toml(text: str, file: str, code: str) -> Table:
    """The whole of a file as a table whose errors have `code`. Raises InputTrouble that names the line."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputTrouble(
            code, f"not TOML: {clean(str(error))}", where=file, help="repair the line that is named"
        ) from error
    return Table(code, file, "", data, tuple(text.splitlines()))


@dataclass(frozen=True, slots=True)
class Table:
    """`path` names the table for a person; its lines begin at `first` (counted from 1) of `lines`.

    `code` is the code of its errors; `keys` leads to it from there; `block` is set for an entry of a list.
    """

    code: str
    file: str
    path: str
    data: Mapping[str, Any]
    lines: tuple[str, ...] = ()
    first: int = 1
    keys: tuple[str, ...] = ()
    block: bool = False

    def wrong(self, key: str, found: object, right: str) -> NoReturn:
        """Raise InputTrouble with file, line, key, what was found (None: nothing) and what would be right."""
        where = f"{self.path}.{key}" if self.path else key
        shown = str(found).lower() if isinstance(found, bool) else repr(found)
        raise InputTrouble(
            self.code,
            f"{clean(where)} is missing" if found is None else f"{clean(where)}: found {clean(shown, 80)}",
            where=f"{self.file}, line {self.line(key)}, {clean(where)}",
            help=f"write {clean(right)}",
        )

    def line(self, key: str) -> int:
        """The line that holds `key`, or where its table begins. A scan of the text: the parser gives no lines."""
        wanted = (*self.keys, *key.split("."))
        best, depth, prefix = self.first, 0, ()  # type: tuple[int, int, tuple[str, ...]]
        for number, text in enumerate(self.lines[self.first - 1 :], self.first):
            header, pair = _HEADER.match(text), _PAIR.match(text)
            if header is not None:
                listed = text.lstrip().startswith("[[")
                path = tuple(header[1].split("."))
                if not self.block:
                    prefix = (*path, "?") if listed else path
                elif number == self.first:
                    prefix = ()
                elif listed or not self._inside(header[1]):
                    break
                else:
                    prefix = path[1:]
                here = prefix
            elif pair is not None:
                here = prefix + tuple(part.strip().strip("\"'") for part in pair[1].split("."))
            else:
                continue
            shared = next(
                (n for n, (a, b) in enumerate(zip(here, wanted, strict=False)) if a != b), min(len(here), len(wanted))
            )
            if shared > depth:
                best, depth = number, shared
        return best

    def _inside(self, header: str) -> bool:
        own = self.lines[self.first - 1].strip().strip("[]").strip() if self.lines else ""
        return bool(own) and header.startswith(own + ".")

    def only(self, *allowed: str) -> None:
        """No keys but these. Raises InputTrouble."""
        for key in self.data:
            if key not in allowed:
                self.wrong(key, key, f"one of the keys {', '.join(sorted(allowed))}")

    def text(self, key: str) -> str:
        """A text that is not empty. Raises InputTrouble."""
        value = self.data.get(key)
        if not isinstance(value, str) or not value.strip():
            self.wrong(key, value, "a text that is not empty")
        return value

    def plain(self, key: str) -> str:
        """A text that is not empty and may be shown as it is. Raises InputTrouble."""
        value = self.text(key)
        if clean(value) != value:
            self.wrong(key, value, "a line of plain text")
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

    def integer(self, key: str, least: int, most: int, default: int | None = None) -> int:
        """A whole number from `least` to `most`; `default` where the key may be missing. Raises InputTrouble."""
        value = self.data.get(key, default)
        if type(value) is not int or not least <= value <= most:
            # addresses are written in hexadecimal, counts and rates are not
            as_usual = hex if most > 0x0FFF_FFFF else str
            self.wrong(key, value, f"a whole number from {as_usual(least)} to {as_usual(most)}")
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
        return Table(self.code, self.file, path, value, self.lines, self.first, (*self.keys, key), self.block)

    def chances(self, key: str, allowed: Mapping[str, object]) -> dict[str, float]:
        """A table of "default" and exceptions, each a chance in (0, 1). Raises InputTrouble."""
        table = self.table(key)
        table.number("default", 0, 1)
        for name in table.data:
            if name != "default" and name not in allowed:
                table.wrong(name, name, "the id of a cause")
        return {name: table.number(name, 0, 1) for name in table.data}

    def tables(self, key: str, least: int = 1) -> list[Table]:
        """All [[key]] of the file, in order; at least `least`. Raises InputTrouble."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or len(value) < least or not all(isinstance(item, dict) for item in value):
            self.wrong(key, self.data.get(key), f"{'at least one' if least else 'a list of'} [[{key}]]")
        header = re.compile(rf"\s*\[\[\s*{re.escape(key)}\s*\]\]")
        starts = [number for number, text in enumerate(self.lines, 1) if header.match(text)]
        starts += [1] * (len(value) - len(starts))  # written inline: then only the key can be named
        return [
            Table(self.code, self.file, f"{key} {_name(item) or number}", item, self.lines, start, block=True)
            for (number, item), start in zip(enumerate(value, 1), starts, strict=False)
        ]

    def rows(self, key: str, least: int = 1) -> list[Table]:
        """A list of inline tables under `key`, at least `least`. Raises InputTrouble."""
        value = self.data.get(key, [])
        if not isinstance(value, list) or len(value) < least or not all(isinstance(item, dict) for item in value):
            self.wrong(key, self.data.get(key), f"a list of {'at least one table' if least else 'tables'} {{ ... }}")
        path = f"{self.path}.{key}" if self.path else key
        first = self.line(key)
        return [
            Table(self.code, self.file, f"{path} {number}", item, self.lines, first, block=True)
            for number, item in enumerate(value, 1)
        ]


def _name(item: Mapping[str, Any]) -> str:
    return next((name for key in ("id", "name") if isinstance(name := item.get(key), str) and name), "")
