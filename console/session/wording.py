"""Marks and line events in words for the trace.

Field values may come from a foreign capture: all pass the text door.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from console.events import Chunk, LineEvent, LineKind, Mark, MarkKind
from console.text import clean, hex_bytes
from console.words import count_of, measure
from protocols.family import Role, Span

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
_MOST_SHOWN: Final = 10**15
_END_WORDS: Final = {"ok": "passed", "stopped": "left"}


def line_words(event: LineEvent) -> str:
    """A line event as one line of text."""
    if event.kind is LineKind.LINES:
        up = ", ".join(sorted(line.value.upper() for line in event.lines))
        return f"control lines asserted: {up or 'none'}"
    at = f", byte {hex_bytes(event.data)}" if event.data else ""
    return _LINE_WORDS[event.kind] + at


def span_of_test(chunk: Chunk) -> Span:
    """Bytes of a test of the line, which no protocol names."""
    words = "test pattern" if chunk.direction == "out" else "received in a test of the line"
    return Span(chunk.direction, 0, chunk.data, Role.DATA, words)


def mark_words(mark: Mark) -> str:
    """A mark as one line of text."""

    def field(name: str) -> str:
        value = mark.fields.get(name)
        return "" if value is None else clean(str(value))

    match mark.kind:
        case MarkKind.SETTINGS:
            board = ", a simulated board" if mark.fields.get("simulated") is True else ""
            return f"port {field('port')} at {field('baud')} baud, {field('frame')}, protocol {field('family')}{board}"
        case MarkKind.ATTEMPT:
            return f"attempt {field('n')}, wires {'swapped' if field('wires') == 'swapped' else 'as built'}"
        case MarkKind.STAGE_BEGIN:
            return f"stage {field('name')} begins"
        case MarkKind.STAGE_END:
            tail = f": {field('message')}" if field("message") else ""
            return f"stage {field('name')} ends: {field('outcome')}{tail}"
        case MarkKind.OPERATOR:
            return _operator_words(field, _measured(mark))
        case MarkKind.FINDING:
            return f"found by {field('test')}: {field('message')}"
        case MarkKind.NOTE:
            return field("text")
        case MarkKind.PLAN:
            return f"{field('task')}: {count_of(field('write'), 'byte')} to write, {field('verify')} to read back"
        case MarkKind.PROGRESS:
            return f"{field('done')} of {count_of(field('total'), 'byte')}"
        case MarkKind.CHIP:
            return f"unique id {field('unique_id') or 'not told'}"
        case MarkKind.PROOF:
            word = "not complete; proven"
            if mark.fields.get("complete") is True:
                word = "proven by reading back"
            elif mark.fields.get("differing_places"):
                word = f"everything was read, {field('differing_bytes')} of its bytes not as expected; proven"
            return f"{word}: {field('proven') or 'nothing'}"
        case MarkKind.BRINGUP:
            return _plan_words(field, _measured(mark))
        case MarkKind.LINK_LOST:
            return f"link lost: {field('message')}"
        case MarkKind.ERROR:
            return f"error {field('code')}: {field('message')}"
        case MarkKind.STOPPED:
            return "stopped by the user"
        case MarkKind.END:
            return "end of the record"


def _measured(mark: Mark) -> str:
    """The reading in an answer, "" where none is."""
    value, unit = mark.fields.get("value"), clean(str(mark.fields.get("unit") or ""))
    if isinstance(value, int) and abs(value) < _MOST_SHOWN:
        value = float(value)
    shown = measure(value, unit) if isinstance(value, float) else "" if value is None else f"{value} {unit}"
    return clean(shown).strip()


def _plan_words(field: Callable[[str], str], value: str) -> str:
    """A step of a board's plan; `value` is what an answer measured."""
    stage = field("stage")
    match field("step"):
        case "plan":
            words = f"plan of {field('board')}, revision {field('revision')}"
            return words + (f", board {field('serial')}" if field("serial") else "")
        case "stage":
            return f"plan has {stage}: {field('work')}, {field('title')}"
        case "trust":
            return f"plan {stage}: taken as passed"
        case "begin":
            return f"plan {stage}: begins, {field('title')}"
        case "end":
            tail = ": ".join(filter(None, (field("found"), field("off"))))
            word = _END_WORDS.get(field("outcome"), "failed") if field("skipped") != "True" else "left out"
            return f"plan {stage}: {word}{', ' if tail else ''}{tail}"
        case "again":
            return f"plan: these count again: {field('stages')}"
        case "ask":
            caution = f" (caution: {field('caution')})" if field("caution") else ""
            return f"asked, {field('id')}: {field('title')}{caution}"
        case "answer":
            told = (value, field("outcome") or field("reply"), field("text"))
            return f"answered, {field('id')}: {', '.join(filter(None, told))}"
        case "suspects":
            return f"plan stopped at {stage}"
        case "suspect":
            return f"suspect, chance {field('probability')}: {field('title')}"
        case "cleared":
            return f"looked at, nothing wrong: {field('title') or field('key')}"
        case "repair":
            return f"put right: {field('title')}"
        case "undo":
            return f"answer taken back: {field('id')}"
        case "done":
            return f"plan ends: {field('outcome')}"
        case other:
            return f"plan: {other}"


def _operator_words(field: Callable[[str], str], value: str) -> str:
    action, step = field("action"), " ".join(filter(None, (field("check"), field("title"))))
    match action:
        case "asked":
            return f"proposed: {step} (about {field('minutes')} min)"
        case "check":
            return f"operator: {step}: {', '.join(filter(None, (value, field('outcome'))))}"
        case "skip":
            return f"operator: skips {step}"
        case "undo":
            return "operator: takes the last answer back"
        case "remark":
            return f"operator notes: {field('text')}"
        case "at-hand":
            return f"operator: has {field('item')} at hand"
        case _ if step:  # what a proposed step changed, in that step's own words
            return f"operator: done: {step}"
        case _:
            return _OPERATOR_WORDS.get(action, f"operator: {action}")
