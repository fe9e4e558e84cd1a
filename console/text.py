"""The one door from bytes and strings of unknown origin to text that a terminal, a report or a file name may hold.

Nothing that came from a target, a USB descriptor, a capture or a board file reaches a screen except through here:
escape sequences, C1 controls, markup and bidirectional overrides become visible escapes.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

from console.words import count_of

_DOT: Final = "·"
_COLUMN: Final = "".join(chr(b) if 0x20 <= b < 0x7F else _DOT for b in range(256))
_QUOTED: Final = [chr(b) if 0x20 <= b < 0x7F and b != 0x5C else f"\\x{b:02x}" for b in range(256)]
# Cc control, Cf format (bidi, zero width), Cs surrogate, Co private, Cn unassigned, Zl/Zp line separators
_UNSAFE_CATEGORIES: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_NOT_IN_FILE_NAME: Final = re.compile(r"[^A-Za-z0-9._-]+")


def hex_bytes(data: bytes) -> str:
    """Two hex digits per byte with blanks between: ``7F 79``."""
    return data.hex(" ").upper()


def column(data: bytes) -> str:
    """One character per byte: printable ASCII as it is, anything else a middle dot."""
    return "".join(_COLUMN[b] for b in data)


def quoted(data: bytes, limit: int = 64) -> str:
    """Bytes as readable text with escapes, cut after `limit` bytes with the number left out."""
    shown = "".join(_QUOTED[b] for b in data[:limit])
    return shown if len(data) <= limit else f"{shown}… (+{count_of(len(data) - limit, 'byte')})"


def clean(text: str, limit: int = 400) -> str:
    """A string from outside with every unsafe character as a visible escape, cut after `limit` characters."""
    out = []
    for char in text[:limit]:
        if unicodedata.category(char) in _UNSAFE_CATEGORIES:
            code = ord(char)
            out.append(f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")
        else:
            out.append(char)
    return "".join(out) + ("…" if len(text) > limit else "")


def file_name(text: str, fallback: str = "session") -> str:
    """A plain file name on every system: ASCII letters, digits, dot, dash, underscore; at most 80 long."""
    name = _NOT_IN_FILE_NAME.sub("-", text).strip("-.")[:80]
    return name or fallback
