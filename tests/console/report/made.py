"""Sessions made by hand, hostile strings, and how a page is read back: shared by the tests of the report."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from typing import Any
from xml.etree.ElementTree import Element

import html5lib

from console.events import Chunk, Event, Mark, MarkKind, Value
from console.report.reading import CaptureInfo, SessionReader, SessionRecord

T0 = 1_700_000_000_000_000_000
SHA = "0" * 64
# each tries another way out of the place where a page puts text
HOSTILE = (
    "<script>document.title='owned'</script>",
    "</title><script>document.title='owned'</script>",
    "</style><script>document.title='owned'</script>",
    '"><img src=x onerror="document.title=\'owned\'">',
    "' onload='document.title=1' x='",
    "<svg/onload=document.title='owned'>",
    "<!-- --><![CDATA[ ]]>&lt;b&gt;&amp;&#60;",
    "\x1b[2J\x9b31m\x00\x7f\u202eevil\u2066\u200b\ufeff\ud800\n\r\t",
)


def mark(t_s: float, kind: MarkKind, **fields: Value) -> Mark:
    """A mark `t_s` seconds after the beginning."""
    return Mark(T0 + round(t_s * 1e9), kind, fields)


def chunk(t_s: float, direction: Any, data: bytes) -> Chunk:
    """Bytes `t_s` seconds after the beginning."""
    return Chunk(T0 + round(t_s * 1e9), direction, data)


def attempt(t_s: float, n: int, outcome: str = "no-answer", wires: str = "as-built") -> list[Event]:
    """An attempt whose sync takes half a second and ends with `outcome`."""
    answered = [chunk(t_s + 0.2, "in", b"\x79")] if outcome == "ok" else []
    return [
        mark(t_s, MarkKind.ATTEMPT, n=n, wires=wires),
        mark(t_s, MarkKind.STAGE_BEGIN, name="sync"),
        chunk(t_s + 0.1, "out", b"\x7f"),
        *answered,
        mark(t_s + 0.5, MarkKind.STAGE_END, name="sync", outcome=outcome, message="nothing came"),
    ]


def check(t_s: float, step: str, outcome: str, **more: Value) -> Mark:
    """The operator's answer to a check."""
    return mark(t_s, MarkKind.OPERATOR, action="check", check=step, outcome=outcome, **more)


def record(events: Iterable[Event], name: str = "tern.pcapng", sha256: str = SHA) -> SessionRecord:
    """What a report knows of these events."""
    reader = SessionReader()
    for event in events:
        reader.add(event)
    return reader.record(CaptureInfo(name, sha256))


def parsed(text: str) -> Element:
    """The page as a tree. Raises html5lib's ParseError for anything the HTML standard calls an error.

    Outside source: html5lib, which follows the parsing algorithm of the HTML standard with its named errors.
    """
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


def unsafe(text: str) -> set[str]:
    """Characters that may not be in a page or a text: controls, format (bidi, zero width), surrogates, separators."""
    return {c for c in text if unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"}} - {"\n"}
