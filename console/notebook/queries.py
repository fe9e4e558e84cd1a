"""What is asked of the database. Values are checked on the way out: a file may hold anything (ValueError then)."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Sequence
from typing import Any, Final

from console.deeds import Deed
from console.errors import Outcome
from console.events import Value
from console.notebook.entry import BY_TOOL, Fix, folded
from console.notebook.history import (
    BoardRun,
    Case,
    Confirmed,
    Design,
    Detail,
    Known,
    NotedFix,
    SessionRow,
    Shown,
    StageTime,
)
from console.session.stage import LISTEN, VERDICTS, StageResult
from console.text import clean

_DATE: Final = re.compile(r"\d{4}-\d\d(-\d\d)?")  # a month or a day (UTC), as the list shows it
_VERDICTS: Final = ", ".join(f"'{outcome.value}'" for outcome in sorted(VERDICTS))
_ROW: Final = """
    SELECT s.id, s.started_ns, coalesce(b.name, ''), s.product_id, s.port, s.outcome, s.first_outcome, s.stopped_at,
           s.suspect, coalesce(f.cause, ''), coalesce(f.part, ''), coalesce(f.joint, ''), s.simulated
    FROM session s LEFT JOIN board b ON b.id = s.board_id
         LEFT JOIN fix f ON f.id = (SELECT max(id) FROM fix WHERE session_id = s.id)
"""
# what a session did not say, its board is known for
_DESIGN: Final = (
    "coalesce(nullif(s.design, ''), b.design, ''),"
    " CASE WHEN s.revision <> '' THEN s.revision ELSE coalesce(b.revision, '') END"
)
# a fix counts when it failed before, this alone was noted, and the board passed after: in the same session or at the
# first attempt of its next one; never on a simulated board. What the tool notes it has seen pass, each by itself
_CONFIRMED: Final = f"""
    WITH judged AS (
        SELECT id, outcome, first_outcome,
               CASE WHEN board_id IS NOT NULL THEN
                   lead(first_outcome) OVER (PARTITION BY board_id ORDER BY started_ns, id) END AS next_outcome
        FROM session WHERE simulated = 0 AND first_outcome IN ({_VERDICTS})
    )
    SELECT f.id, f.session_id, f.cause, f.part, f.joint, f.note, f.noted_by, {_DESIGN}
    FROM fix f JOIN judged j ON j.id = f.session_id JOIN session s ON s.id = f.session_id
         LEFT JOIN board b ON b.id = s.board_id
    WHERE j.first_outcome <> 'ok' AND (j.outcome = 'ok' OR j.next_outcome = 'ok')
          AND (f.noted_by = '{BY_TOOL}' OR (SELECT count(*) FROM fix o WHERE o.session_id = f.session_id) = 1)
    ORDER BY f.id
"""


def sessions(db: sqlite3.Connection, search: str, board: str, most: int | None) -> list[SessionRow]:
    """Rows for a list, the latest first."""
    where, values = ["1"], list[str | int]()
    for word in folded(search).split():
        if _DATE.fullmatch(word):
            where.append("(instr(s.words, ?) > 0 OR instr(date(s.started_ns / 1000000000, 'unixepoch'), ?) = 1)")
            values.append(word)
        else:
            where.append("instr(s.words, ?) > 0")
        values.append(word)
    if board:
        where.append("b.name = ?")
        values.append(board)
    sql = f"{_ROW} WHERE {' AND '.join(where)} ORDER BY s.started_ns DESC, s.id DESC LIMIT ?"
    return [_row(found) for found in db.execute(sql, (*values, -1 if most is None else most))]


def details(db: sqlite3.Connection, numbers: Sequence[int] | None = None) -> list[Detail]:
    """Everything about these sessions, as far as they are there; about every one, oldest first, where none is named."""
    sure = frozenset(int(row[0]) for row in db.execute(_CONFIRMED))
    if numbers is None:
        numbers = [row.id for row in reversed(sessions(db, "", "", None))]
    return [one for one in (_detail(db, number, sure) for number in numbers) if one is not None]


def boards(db: sqlite3.Connection) -> list[str]:
    """Names of all boards, in order."""
    return [clean(str(row[0])) for row in db.execute("SELECT name FROM board ORDER BY name")]


def _detail(db: sqlite3.Connection, number: int, sure: frozenset[int]) -> Detail | None:
    """Everything about one session; `sure` are the numbers of the confirmed fixes."""
    head = db.execute(f"{_ROW} WHERE s.id = ?", (number,)).fetchone()
    if head is None:
        return None
    more = db.execute(
        "SELECT s.settings, s.capture, s.capture_sha256, s.failed_attempt, s.tool_version, s.design, s.revision,"
        " s.unique_id, coalesce(b.design, ''), coalesce(b.revision, ''), b.product_id, coalesce(b.unique_id, '')"
        " FROM session s LEFT JOIN board b ON b.id = s.board_id WHERE s.id = ?",
        (number,),
    ).fetchone()
    row, unique_id = _row(head), clean(str(more[7]))
    return Detail(
        row=row,
        settings=_settings(str(more[0])),
        capture=clean(str(more[1]), 1000),
        capture_sha256=clean(str(more[2])),
        failed_attempt=int(more[3]),
        tool_version=clean(str(more[4])),
        design=_design(more[5:7]),
        unique_id=unique_id,
        known=Known(_design(more[8:10]), None if more[10] is None else int(more[10]), clean(str(more[11]))),
        twins=() if row.simulated else tuple(twins(db, unique_id, row.board)),
        stages=_stages(db, number),
        shown=_shown(db, number),
        deeds=_deeds(db, number),
        fixes=_fixes(db, number, sure),
    )


def last_failed(db: sqlite3.Connection, board: str) -> int | None:
    """The board's latest session whose first verdict was bad."""
    row = db.execute(
        "SELECT s.id FROM session s JOIN board b ON b.id = s.board_id WHERE b.name = ? AND s.failed_attempt > 0"
        " ORDER BY s.started_ns DESC, s.id DESC LIMIT 1",
        (board,),
    ).fetchone()
    return None if row is None else int(row[0])


def board_runs(db: sqlite3.Connection) -> list[BoardRun]:
    """First and last verdict of each real board."""
    rows = db.execute(
        f"SELECT b.name, s.first_outcome, s.outcome, {_DESIGN} FROM session s JOIN board b ON b.id = s.board_id"
        f" WHERE s.simulated = 0 AND s.first_outcome IN ({_VERDICTS}) ORDER BY b.name, s.started_ns, s.id"
    )
    out: dict[str, BoardRun] = {}
    for name, first, last, *design in rows:
        board = clean(str(name))
        before = out.get(board)
        out[board] = BoardRun(board, before.first if before else Outcome(first), Outcome(last), _design(design))
    return list(out.values())


def stage_times(db: sqlite3.Connection) -> list[StageTime]:
    """Stages that passed in the last attempt of each real board's latest good session."""
    rows = db.execute(
        "SELECT b.name, t.name, s.settings, t.elapsed_s FROM board b"
        " JOIN session s ON s.id = (SELECT id FROM session WHERE board_id = b.id AND simulated = 0 AND outcome = 'ok'"
        "                           ORDER BY started_ns DESC, id DESC LIMIT 1)"
        " JOIN stage t ON t.session_id = s.id"
        " WHERE t.outcome = 'ok' AND t.name <> ?"
        "       AND t.attempt = (SELECT max(attempt) FROM stage WHERE session_id = s.id AND name <> ?)"
        " ORDER BY b.id, t.place",
        (LISTEN, LISTEN),
    )
    out = []
    for board, name, settings, elapsed in rows:
        baud = dict(_settings(str(settings))).get("baud")
        rate = baud if isinstance(baud, int) else 0
        out.append(StageTime(clean(str(board)), clean(str(name)), rate, float(elapsed)))
    return out


def cases(db: sqlite3.Connection) -> list[Case]:
    """Real sessions that failed, oldest first."""
    fixes: dict[int, Fix] = {}  # the first that was noted belongs to the first failure, and so does the case
    for row in db.execute(_CONFIRMED):
        fixes.setdefault(int(row[1]), _fix(row[2:7], ()))
    rows = db.execute(
        "SELECT s.id, coalesce(b.name, ''), s.stopped_at, (SELECT group_concat(code, ' ') FROM observation o"
        f" WHERE o.session_id = s.id AND o.attempt = s.failed_attempt), {_DESIGN}"
        " FROM session s LEFT JOIN board b ON b.id = s.board_id"
        " WHERE s.failed_attempt > 0 AND s.simulated = 0 ORDER BY s.id"
    )
    out = []
    for number, board, stop, codes, *design in rows:
        seen = frozenset(clean(codes or "").split())
        out.append(Case(int(number), clean(str(board)), clean(str(stop)), seen, fixes.get(number), _design(design)))
    return out


def confirmed_fixes(db: sqlite3.Connection) -> list[Confirmed]:
    """Confirmed fixes, oldest first."""
    return [Confirmed(_fix(row[2:7], ()), _design(row[7:])) for row in db.execute(_CONFIRMED)]


def design_of(db: sqlite3.Connection, board: str) -> Design:
    """What this board is built to."""
    row = db.execute("SELECT design, revision FROM board WHERE name = ?", (board,)).fetchone()
    return Design() if row is None else _design(row)


def twins(db: sqlite3.Connection, unique_id: str, board: str) -> list[str]:
    """Names of other real boards that were read with this unique id, in order; none where nothing was read."""
    rows = db.execute(
        "SELECT DISTINCT b.name FROM session s JOIN board b ON b.id = s.board_id"
        " WHERE s.unique_id = ? AND s.unique_id <> '' AND s.simulated = 0 AND b.name <> ? ORDER BY b.name",
        (unique_id, board),
    )
    return [clean(str(row[0])) for row in rows]


def _row(found: tuple[Any, ...]) -> SessionRow:
    number, started, board, product, port, outcome, first, stop, suspect, cause, part, joint, simulated = found
    return SessionRow(
        id=int(number),
        started_ns=_whole(started),
        board=clean(str(board)),
        product_id=None if product is None else int(product),
        port=clean(str(port)),
        outcome=Outcome(outcome),
        first_outcome=Outcome(first),
        stopped_at=clean(str(stop)),
        suspect=clean(str(suspect)),
        fix_cause=clean(str(cause)),
        fix_place=clean(Fix(part=str(part), joint=str(joint)).place),
        simulated=bool(simulated),
    )


def _design(found: Sequence[Any]) -> Design:
    name, revision = found
    return Design(clean(str(name)), clean(str(revision)))


def _whole(value: Any) -> int:
    if not isinstance(value, int):
        raise ValueError(f"{value!r} is no whole number")
    return value


def _settings(text: str) -> tuple[tuple[str, Value], ...]:
    found = json.loads(text)
    if not isinstance(found, dict) or not all(isinstance(value, Value) for value in found.values()):
        raise ValueError("settings are no table of plain values")
    return tuple((clean(name), clean(v) if isinstance(v, str) else v) for name, v in found.items())


def _stages(db: sqlite3.Connection, number: int) -> tuple[StageResult, ...]:
    rows = db.execute(
        "SELECT name, attempt, outcome, started_s, elapsed_s, wire_s, chip_s, host_s, bytes_out, bytes_in, hint,"
        " message FROM stage WHERE session_id = ? ORDER BY place",
        (number,),
    )
    out = []
    for name, attempt, outcome, *numbers, bytes_out, bytes_in, hint, message in rows:
        started, elapsed, wire, chip, host = (float(value) for value in numbers)
        how = Outcome(outcome) if outcome else None
        sums = (int(bytes_out), int(bytes_in), clean(str(hint)), clean(str(message)))
        out.append(StageResult(clean(str(name)), int(attempt), how, started, elapsed, wire, chip, host, *sums))
    return tuple(out)


def _shown(db: sqlite3.Connection, number: int) -> tuple[Shown, ...]:
    seen: dict[int, list[tuple[str, int]]] = {}
    causes: dict[int, list[tuple[str, float]]] = {}
    for attempt, code, count in db.execute(
        "SELECT attempt, code, count FROM observation WHERE session_id = ? ORDER BY attempt, code", (number,)
    ):
        seen.setdefault(int(attempt), []).append((clean(str(code)), int(count)))
    for attempt, cause, chance in db.execute(
        "SELECT attempt, cause, probability FROM cause_shown WHERE session_id = ? ORDER BY attempt, place", (number,)
    ):
        causes.setdefault(int(attempt), []).append((clean(str(cause)), float(chance)))
    attempts = sorted(seen.keys() | causes.keys())
    return tuple(Shown(n, tuple(seen.get(n, ())), tuple(causes.get(n, ()))) for n in attempts)


def _deeds(db: sqlite3.Connection, number: int) -> tuple[Deed, ...]:
    rows = db.execute(
        "SELECT at_s, attempt, action, step, outcome, value, unit FROM deed WHERE session_id = ? ORDER BY place",
        (number,),
    )
    out = []
    for at_s, attempt, action, step, outcome, value, unit in rows:
        measured = None if value is None else float(value)
        words = (clean(str(action)), clean(str(step)), clean(str(outcome)))
        out.append(Deed(float(at_s), int(attempt), *words, measured, clean(str(unit))))
    return tuple(out)


def _fixes(db: sqlite3.Connection, number: int, sure: frozenset[int]) -> tuple[NotedFix, ...]:
    rows = db.execute(
        "SELECT id, noted_ns, cause, part, joint, note, noted_by FROM fix WHERE session_id = ? ORDER BY id", (number,)
    ).fetchall()
    photos = {
        row[0]: tuple(
            str(file[0]) for file in db.execute("SELECT file FROM photo WHERE fix_id = ? ORDER BY file", (row[0],))
        )
        for row in rows
    }
    return tuple(NotedFix(_fix(row[2:], photos[row[0]]), _whole(row[1]), row[0] in sure) for row in rows)


def _fix(words: tuple[Any, ...], photos: tuple[str, ...]) -> Fix:
    cause, part, joint, note, by = (clean(str(word), 2000) for word in words)
    return Fix(cause, part, joint, note, by, tuple(clean(photo, 1000) for photo in photos))
