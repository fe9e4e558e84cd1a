# construct carries no annotations: the calls below cannot be typed
# mypy: disable-error-code="no-untyped-call"
"""What a board's program answers, as a template with named fields: made into a construct format, parsed, judged.

A template of text is one line: ``fpga: {id:hex}``. A field ends where the character behind it comes; braces are written
twice to stand for themselves. A template of bytes is a run of hex bytes and fields: ``A5 {level:u16be} {raw:bytes4}``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias

from construct import (
    Adapter,
    Bytes,
    BytesInteger,
    Const,
    Construct,
    ConstructError,
    Float32b,
    Float32l,
    GreedyBytes,
    NullTerminated,
    Struct,
    Terminated,
    ValidationError,
)

from console.text import clean, hex_bytes, quoted
from console.words import measure

FieldValue: TypeAlias = int | float | bytes | str
TEXT_KINDS: Final = ("int", "number", "hex", "hexint", "word", "text")
_SIZED: Final = {f"{sign}{bits}{end}" for sign in "ui" for bits in (16, 24, 32) for end in ("be", "le")}
_NUMBERS: Final = {"u8", "i8"} | _SIZED
BYTE_KINDS: Final = (*sorted(_NUMBERS), "f32be", "f32le", "bytesN")
MOST_BYTES: Final = 256
_FIELD: Final = re.compile(r"\{([a-z][a-z0-9_]*):([a-z0-9]+)\}")
_MOST_DIGITS: Final = 40
# kinds whose values may hold blanks, so that a blank cannot end them
_WITH_BLANKS: Final = ("hex", "text")


class Mismatch(ValueError):
    """A reply that does not fit; the text says where, and is safe to show."""


@dataclass(frozen=True, slots=True)
class Template:
    """`source` as written; `kinds` by field; `size` in bytes, None for a line of text; `head`: how a reply begins."""

    source: str
    kinds: Mapping[str, str]
    size: int | None
    head: bytes
    format: Construct = field(repr=False, compare=False)

    def parse(self, reply: bytes) -> dict[str, FieldValue]:
        """The fields of a reply (a line without its end). Raises Mismatch."""
        if self.size is None and len(reply) > MOST_BYTES:
            raise Mismatch(f"a line of {len(reply)} bytes, which is longer than any answer")
        try:
            found = self.format.parse(reply)
        except (ConstructError, UnicodeDecodeError) as error:
            raise Mismatch(f"{quoted(reply)!r} does not fit {self.source!r}{_at(error, self.kinds)}") from error
        return {name: found[name] for name in self.kinds}


def text_template(source: str) -> Template:
    """A template of one line. Raises ValueError that says what is wrong with it."""
    if clean(source, 1000) != source or not source.strip() or not source.isascii():
        raise ValueError("a line of plain ASCII text")
    parts = _split(source)
    steps: list[Construct] = []
    kinds: dict[str, str] = {}
    for number, part in enumerate(parts):
        behind = parts[number + 1] if number + 1 < len(parts) else ""
        if isinstance(part, str):
            steps.append(Const(part.encode()))
            continue
        name, kind = part
        if kind not in TEXT_KINDS:
            raise ValueError(f"{{{name}:{kind}}}: one of the kinds {', '.join(TEXT_KINDS)}")
        if name in kinds:
            raise ValueError(f"{{{name}}} once only")
        if not isinstance(behind, str):
            raise ValueError(f"something between {{{name}}} and the field behind it")
        if kind in _WITH_BLANKS and behind.startswith(" "):
            raise ValueError(f"no blank behind {{{name}:{kind}}}: it may hold blanks itself")
        kinds[name] = kind
        raw: Any = NullTerminated(GreedyBytes, term=behind[:1].encode(), consume=False) if behind else GreedyBytes
        steps.append(name / _Worded(raw, kind))
    head = parts[0].encode() if isinstance(parts[0], str) else b""
    return Template(source, kinds, None, head, Struct(*steps, Terminated))


def byte_template(source: str) -> Template:
    """A template of bytes. Raises ValueError that says what is wrong with it."""
    steps: list[Construct] = []
    kinds: dict[str, str] = {}
    head = b""
    for token in source.split():
        match = _FIELD.fullmatch(token)
        if match is None:
            if not re.fullmatch(r"[0-9A-Fa-f]{2}", token):
                raise ValueError(f"{token[:40]!r}: two hex digits, or a field such as {{level:u16be}}")
            steps.append(Const(bytes.fromhex(token)))
            head += bytes.fromhex(token) if not kinds else b""
            continue
        name, kind = match.groups()
        if name in kinds:
            raise ValueError(f"{{{name}}} once only")
        kinds[name] = kind
        steps.append(name / _binary(name, kind))
    whole = Struct(*steps)
    size = whole.sizeof()
    if not 0 < size <= MOST_BYTES:
        raise ValueError(f"1 to {MOST_BYTES} bytes, not {size}")
    return Template(source, kinds, size, head, whole)


def value_words(value: FieldValue) -> str:
    """A field's value for a person, safe to show."""
    if isinstance(value, bytes):
        return hex_bytes(value)
    return clean(value) if isinstance(value, str) else measure(value) if isinstance(value, float) else str(value)


class _Worded(Adapter):
    """Text between two literals, as what its kind says."""

    def __init__(self, raw: Construct, kind: str) -> None:
        super().__init__(raw)
        self._kind = kind

    def _decode(self, obj: bytes, context: Any, path: str) -> FieldValue:
        try:
            return _as_kind(obj.decode("ascii"), self._kind)
        except ValueError as error:
            raise ValidationError(f"{error}", path=path) from error

    def _encode(self, obj: FieldValue, context: Any, path: str) -> bytes:
        if isinstance(obj, bytes):
            return obj.hex(" ").upper().encode()
        return f"{obj:X}".encode() if self._kind == "hexint" else str(obj).encode()


def _as_kind(text: str, kind: str) -> FieldValue:
    """Raises ValueError for a text that is not of this kind."""
    word = text.strip(" ")
    if kind == "text":
        return text
    if kind == "word":
        if not word or re.search(r"\s", word):
            raise ValueError("no single word")
        return word
    if kind == "hex":
        if not word or not re.fullmatch(r"[0-9A-Fa-f]{2}( ?[0-9A-Fa-f]{2})*", word):
            raise ValueError("no hex bytes")
        return bytes.fromhex(word)
    rule = {"int": r"[+-]?\d+", "number": r"[+-]?(\d+\.?\d*|\.\d+)", "hexint": r"(0[xX])?[0-9A-Fa-f]+"}[kind]
    if len(word) > _MOST_DIGITS or not re.fullmatch(rule, word, re.ASCII):
        raise ValueError(f"no {kind}")
    return int(word) if kind == "int" else float(word) if kind == "number" else int(word, 16)


def _split(source: str) -> list[str | tuple[str, str]]:
    """Literals and (name, kind) pairs in turn."""
    out: list[str | tuple[str, str]] = []
    at = 0
    while at < len(source):
        match = _FIELD.match(source, at)
        if match is not None:
            out.append((match[1], match[2]))
            at = match.end()
            continue
        if source[at] in "{}":
            if source[at : at + 2] not in ("{{", "}}"):
                raise ValueError(f"a field such as {{id:hex}} at {source[at : at + 20]!r}, or the brace twice")
            at += 1
        if out and isinstance(out[-1], str):
            out[-1] += source[at]
        else:
            out.append(source[at])
        at += 1
    return out


def _binary(name: str, kind: str) -> Construct:
    if kind in ("f32be", "f32le"):
        real: Construct = Float32b if kind == "f32be" else Float32l
        return real
    if kind in _NUMBERS:
        bits = int(re.sub(r"\D", "", kind))
        return BytesInteger(bits // 8, signed=kind.startswith("i"), swapped=kind.endswith("le"))
    match = re.fullmatch(r"bytes([1-9]\d{0,2})", kind)
    if match is None:
        raise ValueError(f"{{{name}:{kind}}}: one of the kinds {', '.join(BYTE_KINDS)}")
    return Bytes(int(match[1]))


def _at(error: Exception, kinds: Mapping[str, str]) -> str:
    """Which field it was, from construct's path."""
    name = (getattr(error, "path", None) or "").rpartition(" -> ")[2]
    return f" at {{{name}:{kinds[name]}}}" if name in kinds else ""
