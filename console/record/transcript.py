"""The readable record of a session: for a person who was not there. Text only, every foreign string made safe."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal, TextIO

from console.text import clean, column, hex_bytes
from console.words import percent, reason, setting

WIDTH: Final = 110
_PER_LINE: Final = 8  # leaves room for the meaning beside it
_ARROWS: Final = {"out": "out ->", "in": "in  <-", "line": "line !", "mark": "mark #"}
_TEXT_AT: Final = 14 + 1 + 6 + 1  # behind time and direction
_MEANING_WIDTH: Final = WIDTH - _TEXT_AT - 3 * _PER_LINE - 1 - _PER_LINE - 2
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class TranscriptRow:
    """One thing that happened: bytes with their meaning, a line event, or a mark. `t_ns` since the epoch."""

    t_ns: int
    kind: Literal["out", "in", "line", "mark"]
    data: bytes
    text: str


def write_transcript(stream: TextIO, report: Mapping[str, Any], rows: Iterable[TranscriptRow], start_ns: int) -> None:
    """Write the record of one session. `report` is the JSON contract object, `start_ns` the session's beginning."""
    for line in _lines(report, rows, start_ns):
        stream.write(line.rstrip() + "\n")


def _lines(report: Mapping[str, Any], rows: Iterable[TranscriptRow], start_ns: int) -> Iterable[str]:
    yield "session record"
    yield from _wrapped("port: ", report.get("port") or "not said")
    settings = report.get("settings") or {}
    told = ", ".join(f"{key} {setting(value)}" for key, value in settings.items() if key != "port")
    yield from _wrapped("settings: ", told or "not said")
    yield f"start: {_utc(start_ns)}"
    yield from _wrapped("outcome: ", report.get("outcome") or "not said")
    target = report.get("target") or {}
    said = "; ".join(f"{key} {setting(value)}" for key, value in target.items() if value not in (None, [], ""))
    yield from _wrapped("target: ", said or "not identified")
    yield from _memory(report.get("programming") or {})
    yield ""
    yield "time in seconds.milliseconds.microseconds since the start; out -> to the target, in <- from the target"
    yield ""
    for row in rows:
        yield from _row(row, start_ns)
    yield ""
    yield from _stages(report.get("stages") or ())
    yield from _diagnosis(report)


_UNPROVEN: Final = {
    "written": "written, not proven",
    "erased": "erase acknowledged, not proven",
    "erasing": "erase not acknowledged",
    "resisting": "acknowledged, not erased",
    "unsure": "unsure, not proven",
}


def _memory(run: Mapping[str, Any]) -> Iterable[str]:
    """What a programming run proved; the words are those of `console.programming.fold.Programming`."""
    if not run.get("planned"):
        return
    word = "complete" if run.get("complete") else "not complete"
    yield from _wrapped("memory: ", f"{run.get('task')} {word}; proven: {run.get('proven') or 'nothing'}")
    for key, words in _UNPROVEN.items():
        if run.get(key) and not run.get("complete"):
            yield from _wrapped(f"        {words}: ", run[key])


def _row(row: TranscriptRow, start_ns: int) -> Iterable[str]:
    time = _relative(row.t_ns - start_ns)
    if row.kind == "mark" and not row.data:
        first, *more = textwrap.wrap(clean(row.text), WIDTH - 26) or [""]
        yield f"{time:>14} --- {first} ".ljust(WIDTH, "-") if len(first) < WIDTH - 26 else f"{time:>14} --- {first}"
        yield from (" " * 19 + line for line in more)
        return
    meaning = textwrap.wrap(clean(row.text), _MEANING_WIDTH if row.data else WIDTH - _TEXT_AT)
    pieces = [row.data[at : at + _PER_LINE] for at in range(0, len(row.data), _PER_LINE)]
    for number in range(max(len(pieces), len(meaning), 1)):
        head = f"{time:>14} {_ARROWS[row.kind]} " if number == 0 else " " * _TEXT_AT
        words = meaning[number] if number < len(meaning) else ""
        if row.data:
            piece = pieces[number] if number < len(pieces) else b""
            yield f"{head}{hex_bytes(piece):<{3 * _PER_LINE}} {column(piece):<{_PER_LINE}}  {words}"
        else:
            yield head + words


def _stages(stages: Iterable[Mapping[str, Any]]) -> Iterable[str]:
    yield "stages"
    yield f"  {'name':<20} {'outcome':<14} {'started s':>12} {'elapsed s':>12} {'wire s':>12} {'out':>9} {'in':>9}"
    for stage in stages:
        name, outcome = (clean(str(stage.get(key, "")), limit) for key, limit in (("name", 18), ("outcome", 12)))
        times = " ".join(f"{_seconds(stage.get(key)):>12}" for key in ("started_s", "elapsed_s", "wire_s"))
        yield f"  {name:<20} {outcome:<14} {times} {stage.get('bytes_out', 0):>9} {stage.get('bytes_in', 0):>9}"
    yield ""


def _diagnosis(report: Mapping[str, Any]) -> Iterable[str]:
    observations = report.get("observations") or ()
    if observations:
        yield "observations"
        for seen in observations:
            known = isinstance(seen, Mapping)
            text = f"{seen.get('text') or seen.get('id', '')}" if known else str(seen)
            count = seen.get("count", 1) if known else 1
            yield from _wrapped("  - ", text + (f" ({count} times)" if count != 1 else ""))
        yield ""
    causes = report.get("causes") or ()
    if causes:
        yield "causes, most likely first"
        for cause in causes:
            yield from _wrapped(f"  {percent(cause['probability']):>5}  ", f"{cause['title']} [{cause['id']}]")
            for why in cause.get("why") or ():
                yield from _wrapped("         ", reason(why))
        yield ""
    check = report.get("next_check")
    if check:
        yield "next check"
        yield from _wrapped("  ", f"{check['title']} (about {check['minutes']} min)")
        if check.get("why"):
            yield from _wrapped("  why: ", check["why"])
        if check.get("caution"):
            yield from _wrapped("  caution: ", check["caution"])
        yield ""
    error = report.get("error")
    if error:
        yield "error"
        yield from _wrapped("  ", f"{error['code']}: {error['message']}")
        yield from _wrapped("  next: ", error["help"])


def _wrapped(head: str, text: object) -> list[str]:
    safe = clean(str(text), 2000)
    return textwrap.wrap(safe, WIDTH, initial_indent=head, subsequent_indent=" " * len(head)) or [head]


def _seconds(value: float | None) -> str:
    return "-" if value is None else f"{value:.6f}"


def _relative(ns: int) -> str:
    micro, sign = abs(ns) // 1000, "-" if ns < 0 else ""
    return f"{sign}{micro // 1_000_000}.{micro // 1000 % 1000:03d}.{micro % 1000:03d}"


def _utc(ns: int) -> str:
    try:
        return (_EPOCH + timedelta(microseconds=ns // 1000)).strftime("%Y-%m-%d %H:%M:%S.%f UTC")
    except OverflowError:
        return "beyond the calendar"
