"""Marks and line events in words for the trace.

Field values may come from a foreign capture: all pass the text door.
"""

from __future__ import annotations

from typing import Final

from console.events import LineEvent, LineKind, Mark, MarkKind
from console.text import clean, hex_bytes

_LINE_WORDS: Final = {
    LineKind.BREAK: "break: the line was low for longer than a character",
    LineKind.FRAMING: "framing error: no stop bit where one belongs",
    LineKind.PARITY: "parity error",
    LineKind.FRAMING_OR_PARITY: "framing or parity error (the system does not say which)",
    LineKind.OVERRUN: "overrun: the adapter lost bytes",
    LineKind.LOST: "bytes were lost here",
}
_OPERATOR_WORDS: Final = {
    "swap-done": "operator: TX and RX swapped",
    "reset-done": "operator: board reset",
    "power-done": "operator: board power switched on",
    "strap-done": "operator: strap set to boot level",
}


def line_words(event: LineEvent) -> str:
    """A line event as one line of text."""
    if event.kind is LineKind.LINES:
        up = ", ".join(sorted(line.value.upper() for line in event.lines))
        return f"control lines asserted: {up or 'none'}"
    at = f", byte {hex_bytes(event.data)}" if event.data else ""
    return _LINE_WORDS[event.kind] + at


def mark_words(mark: Mark) -> str:
    """A mark as one line of text."""

    def field(name: str, default: str = "") -> str:
        value = mark.fields.get(name)
        return default if value is None else clean(str(value))

    match mark.kind:
        case MarkKind.SETTINGS:
            return f"port {field('port')} at {field('baud')} baud, {field('frame')}, protocol {field('family')}"
        case MarkKind.ATTEMPT:
            return f"attempt {field('n')}, wires {'swapped' if field('wires') == 'swapped' else 'as built'}"
        case MarkKind.STAGE_BEGIN:
            return f"stage {field('name')} begins"
        case MarkKind.STAGE_END:
            tail = f": {field('message')}" if field("message") else ""
            return f"stage {field('name')} ends: {field('outcome')}{tail}"
        case MarkKind.OPERATOR:
            action = field("action")
            return _OPERATOR_WORDS.get(action, f"operator: {action}")
        case MarkKind.FINDING:
            return f"found by {field('test')}: {field('message')}"
        case MarkKind.NOTE:
            return field("text")
        case MarkKind.LINK_LOST:
            return f"link lost: {field('message')}"
        case MarkKind.ERROR:
            return f"error {field('code')}: {field('message')}"
        case MarkKind.STOPPED:
            return "stopped by the user"
        case MarkKind.END:
            return "end of the record"
