"""The notebook for other programs: one flat CSV table, or everything as JSON. Pure.

CSV is RFC 4180. A cell of text that a spreadsheet could take for a formula gets an apostrophe in front (as OWASP, "CSV
Injection", advises; from memory); so does one that begins with an apostrophe, so that taking one away gives the text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from console.notebook.entry import Fix
from console.notebook.history import Detail, NotedFix
from console.text import clean

COLUMNS: Final = (
    *("session", "begun_utc", "board", "revision", "product_id", "unique_id", "port", "outcome", "first_outcome"),
    *("stopped_at", "seen", "suspect", "fix_cause", "fix_part", "fix_joint", "fix_note", "fix_by", "confirmed"),
    *("photos", "elapsed_s", "attempts", "simulated", "capture", "capture_sha256", "wakeline", "design"),
)
# what spreadsheets begin a formula with; the wide forms of the same signs are read as them by some
_FORMULA: Final = frozenset("=+-@|%＝＋－＠\t\r\n'")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
Cell = str | int | float


def cell(text: str) -> str:
    """Text of any origin as a cell that is only text, to a terminal and to a spreadsheet."""
    safe = clean(text, 4000)
    return f"'{safe}" if safe.lstrip()[:1] in _FORMULA and safe.strip() else safe


def csv_text(table: Iterable[Sequence[Cell]]) -> str:
    """Rows as CSV: text in quotes and made safe, numbers bare."""
    out = io.StringIO()
    writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC)
    writer.writerows([cell(value) if isinstance(value, str) else value for value in row] for row in table)
    return out.getvalue()


def sessions_csv(sessions: Iterable[Detail]) -> str:
    """One row per session and fix; a session without a fix has one row."""
    return csv_text([COLUMNS, *(row for found in sessions for row in _rows(found))])


def as_object(found: Detail) -> dict[str, Any]:
    """One session as a JSON object. Fields are added, never renamed."""
    row = found.row
    return {
        "session": row.id,
        "begun_utc": utc(row.started_ns),
        "board": row.board or None,
        "revision": found.design.revision or None,
        "design": found.design.name or None,
        "product_id": product(row.product_id) or None,
        "unique_id": found.unique_id or None,
        "port": row.port,
        "settings": dict(found.settings),
        "outcome": row.outcome.value,
        "first_outcome": row.first_outcome.value,
        "stopped_at": row.stopped_at or None,
        "suspect": row.suspect or None,
        "simulated": row.simulated,
        "capture": found.capture or None,
        "capture_sha256": found.capture_sha256 or None,
        "wakeline": found.tool_version,
        "stages": [
            {
                "name": stage.name,
                "attempt": stage.attempt,
                "outcome": stage.outcome.value if stage.outcome else "stopped",
                "started_s": stage.started_s,
                "elapsed_s": stage.elapsed_s,
                "wire_s": stage.wire_s,
                "bytes_out": stage.bytes_out,
                "bytes_in": stage.bytes_in,
                "message": stage.message,
            }
            for stage in found.stages
        ],
        "shown": [
            {
                "attempt": one.attempt,
                "observations": [{"id": code, "count": count} for code, count in one.observations],
                "causes": [{"id": cause, "probability": round(chance, 4)} for cause, chance in one.causes],
            }
            for one in found.shown
        ],
        "done": [
            {
                "attempt": deed.attempt,
                "at_s": deed.at_s,
                "action": deed.action,
                "check": deed.check or None,
                "outcome": deed.outcome or None,
                "value": deed.value,
                "unit": deed.unit or None,
            }
            for deed in found.deeds
        ],
        "fixes": [fix_object(one) for one in found.fixes],
        "board_known": {
            "design": found.known.design.name or None,
            "revision": found.known.design.revision or None,
            "product_id": product(found.known.product_id) or None,
            "unique_id": found.known.unique_id or None,
        },
        "same_unique_id": list(found.twins),
    }


def fix_object(one: NotedFix) -> dict[str, Any]:
    """A fix as a JSON object."""
    fix = one.fix
    return {
        "cause": fix.cause or None,
        "part": fix.part or None,
        "joint": fix.joint or None,
        "note": fix.note or None,
        "noted_by": fix.by,
        "noted_utc": utc(one.noted_ns),
        "confirmed": one.confirmed,
        "photos": list(fix.photos),
    }


def utc(ns: int) -> str:
    """A moment (64 bit nanoseconds) as ISO 8601 with seconds."""
    return (_EPOCH + timedelta(microseconds=ns // 1000)).strftime("%Y-%m-%dT%H:%M:%SZ")


def product(number: int | None) -> str:
    """A product id as it is written elsewhere; "" for none."""
    return "" if number is None else f"0x{number:03X}"


def _rows(found: Detail) -> Iterable[Sequence[Cell]]:
    row = found.row
    elapsed = round(sum(stage.elapsed_s for stage in found.stages), 6)
    attempts = max((stage.attempt for stage in found.stages), default=0)
    for one in found.fixes or (None,):
        fix = Fix(by="") if one is None else one.fix
        yield (
            *(row.id, utc(row.started_ns), row.board, found.design.revision, product(row.product_id), found.unique_id),
            *(row.port, row.outcome.value, row.first_outcome.value, row.stopped_at, " ".join(sorted(found.codes))),
            *(row.suspect, fix.cause, fix.part, fix.joint, fix.note, fix.by),
            *("" if one is None else "yes" if one.confirmed else "no", " ".join(fix.photos), elapsed, attempts),
            *(
                "yes" if row.simulated else "no",
                found.capture,
                found.capture_sha256,
                found.tool_version,
                found.design.name,
            ),
        )
