"""The one door to the notebook's file. Everything is written in whole transactions: a session is there or it is not.

Write-ahead logging lets others read while somebody writes, where the file system can do it; two writers wait for each
other. Every trouble is an InputTrouble with the file and what to do.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Concatenate, Final, ParamSpec, Self, TypeVar

from console.errors import InputTrouble
from console.notebook import queries
from console.notebook.entry import BY_TOOL, Entry, Fix, fix_words, folded, words_of
from console.notebook.history import BoardRun, Case, Confirmed, Design, Detail, SessionRow, StageTime
from console.notebook.place import is_begun, is_there, why_not
from console.notebook.schema import APPLICATION_ID, STEPS, migrate, version_of
from console.notebook.trouble import foreign, missing, newer, sound, told
from console.text import clean

P = ParamSpec("P")
T = TypeVar("T")
BUSY_S: Final = 5.0
_CANNOT_MAP: Final = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_IOERR)


class Notebook:
    """An open notebook; may be used from several threads, one call after the other. Use it as a context manager."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._db = connection
        self._turn = threading.Lock()

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open to write; made with its folder if it is not there. Raises InputTrouble."""
        _check_place(path, make_folder=True)
        with told(path):
            if is_there(path):
                _connect_to_read(path).close()  # whoever it belongs to, it stays as it is until that is known
            db = _connect(path, "rwc")
            try:
                db.execute("PRAGMA foreign_keys = ON")
                db.execute("PRAGMA synchronous = FULL")
                migrate(db)
                with contextlib.suppress(sqlite3.OperationalError):  # the old journal does as well; next time then
                    db.execute("PRAGMA journal_mode = WAL")
            except BaseException:
                db.close()
                raise
        return cls(path, db)

    @classmethod
    def open_to_read(cls, path: Path) -> Self:
        """Open an existing one to read; also where nothing may be written. Raises InputTrouble."""
        if not is_begun(path):
            raise missing(path)
        _check_place(path)
        with told(path):
            db = _connect_to_read(path)
            old = version_of(db) < len(STEPS)
            if old:
                db.close()
        if old:  # an earlier format has to be brought up first
            cls.open(path).close()
            with told(path):
                db = _connect_to_read(path)
        return cls(path, db)

    def close(self) -> None:
        """Close the file, once nobody uses it."""
        with self._turn:
            self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ----------------------------------------------------------------- writing

    def store(self, entry: Entry) -> int:
        """Keep one session, whole; returns its number. Raises InputTrouble; then nothing of it was kept."""
        with self._transaction() as db:
            board = _board(db, entry) if entry.board else None
            session = _insert(
                db,
                "session",
                board_id=board,
                design=entry.design,
                revision=entry.revision,
                product_id=entry.product_id,
                unique_id=entry.unique_id,
                started_ns=entry.started_ns,
                port=entry.port,
                settings=json.dumps(dict(entry.settings)),
                capture=entry.capture,
                capture_sha256=entry.capture_sha256,
                outcome=entry.outcome.value,
                first_outcome=entry.first_outcome.value,
                stopped_at=entry.stopped_at,
                failed_attempt=entry.failed_attempt,
                suspect=entry.suspect,
                tool_version=entry.tool_version,
                simulated=int(entry.simulated),
                words=words_of(entry),
            )
            _insert_parts(db, session, entry)
            for fix in entry.fixes:
                _insert_fix(db, session, fix, entry.started_ns)
        return session

    def add_fix(self, session: int, fix: Fix, noted_ns: int) -> None:
        """Note what fixed the board of this session; it takes the place of what the tool noted. Raises InputTrouble."""
        with self._transaction() as db:
            row = db.execute("SELECT words FROM session WHERE id = ?", (session,)).fetchone()
            if row is None:
                raise _no_session(session, self.path)
            db.execute("DELETE FROM fix WHERE session_id = ? AND noted_by = ?", (session, BY_TOOL))
            _insert_fix(db, session, fix, noted_ns)
            words = " ".join([row[0], *(folded(word) for word in fix_words(fix) if word)])
            db.execute("UPDATE session SET words = ? WHERE id = ?", (words, session))

    # ----------------------------------------------------------------- reading

    def sessions(self, search: str = "", board: str = "", most: int | None = None) -> list[SessionRow]:
        """The sessions that hold every word of `search` somewhere, the latest first; a word such as ``2026-03`` or
        ``2026-03-14`` may also be when they began. Raises InputTrouble."""
        return self._ask(queries.sessions, search, board, most)

    def session(self, number: int) -> Detail:
        """Everything about one session. Raises InputTrouble if there is none."""
        found = self._ask(queries.details, [number])
        if not found:
            raise _no_session(number, self.path)
        return found[0]

    def all(self) -> list[Detail]:
        """Everything about every session, oldest first."""
        return self._ask(queries.details)

    def last_failed(self, board: str) -> int | None:
        """The number of the board's latest session that failed at first; None if there is none."""
        return self._ask(queries.last_failed, board)

    def boards(self) -> list[str]:
        """Names of all boards, in order."""
        return self._ask(queries.boards)

    def board_runs(self) -> list[BoardRun]:
        """How each real board with a name went."""
        return self._ask(queries.board_runs)

    def stage_times(self) -> list[StageTime]:
        """Stages of each real board's latest good session, listening left out: its length is the person's choice."""
        return self._ask(queries.stage_times)

    def cases(self) -> list[Case]:
        """Every real session that failed, with its confirmed fix."""
        return self._ask(queries.cases)

    def confirmed_fixes(self) -> list[Confirmed]:
        """Confirmed fixes of real boards, oldest first."""
        return self._ask(queries.confirmed_fixes)

    def design_of(self, board: str) -> Design:
        """What this board was built to, as the latest session knew; an empty design where nobody said."""
        return self._ask(queries.design_of, board)

    def twins(self, unique_id: str, board: str) -> list[str]:
        """Names of other real boards that were read with this unique id."""
        return self._ask(queries.twins, unique_id, board)

    # ----------------------------------------------------------------- private

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._turn, told(self.path):
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:  # a full disk has rolled back already
                    self._db.execute("ROLLBACK")
                raise

    def _ask(self, question: Callable[Concatenate[sqlite3.Connection, P], T], *words: P.args, **more: P.kwargs) -> T:
        with self._turn, told(self.path), sound(self.path):
            return question(self._db, *words, **more)


def _check_place(path: Path, *, make_folder: bool = False) -> None:
    """Raises InputTrouble where no notebook can be."""
    try:
        if make_folder:
            path.parent.mkdir(parents=True, exist_ok=True)
        why = why_not(path)
    except OSError as error:
        raise _no_place(path, str(error.strerror or error)) from error
    if why:
        raise _no_place(path, why)


def _no_place(path: Path, why: str) -> InputTrouble:
    return InputTrouble(
        "notebook-place",
        f"a notebook cannot be there: {why}",
        where=clean(str(path)),
        help="name another file with --notebook FILE",
    )


def _no_session(number: int, path: Path) -> InputTrouble:
    return InputTrouble(
        "no-session", f"there is no session {number}", where=clean(str(path)), help="see `wakeline notebook list`"
    )


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    db = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
    db.text_factory = lambda raw: raw.decode("utf-8", "replace")
    return db


def _connect_to_read(path: Path) -> sqlite3.Connection:
    """A connection that cannot write, to what is known to be a notebook. Raises sqlite3.Error or InputTrouble."""
    db = _connect(path, "ro")
    try:
        try:
            empty = not db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        except sqlite3.OperationalError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF not in _CANNOT_MAP or _has_log(path):
                raise
            db.close()
            db = _connect(path, "ro&immutable=1")  # a log cannot be mapped where nothing may or can be written
            empty = not db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
        version = version_of(db)
        if not empty and db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
            raise foreign(path)
        if version > len(STEPS):
            raise newer(path, version, len(STEPS))
    except BaseException:
        db.close()
        raise
    return db


def _has_log(path: Path) -> bool:
    """Whether sessions wait in the log that a killed writer left: without it the file is not the whole story."""
    log = path.with_name(f"{path.name}-wal")
    return log.exists() and log.stat().st_size > 0


def _insert(db: sqlite3.Connection, into: str, **values: str | float | None) -> int:
    """Insert a row; table and column names are this module's own words. Returns its number."""
    sql = f"INSERT INTO {into} ({', '.join(values)}) VALUES ({', '.join('?' * len(values))})"
    return db.execute(sql, tuple(values.values())).lastrowid or 0


def _board(db: sqlite3.Connection, entry: Entry) -> int:
    """The board's number; what this session knows better than the earlier ones is taken over."""
    db.execute("INSERT OR IGNORE INTO board (name) VALUES (?)", (entry.board,))
    number = int(db.execute("SELECT id FROM board WHERE name = ?", (entry.board,)).fetchone()[0])
    known = {
        "design": entry.design,
        "revision": entry.revision,
        "unique_id": entry.unique_id,
        "product_id": entry.product_id,
    }
    for column, value in known.items():
        if value not in ("", None):
            db.execute(f"UPDATE board SET {column} = ? WHERE id = ?", (value, number))
    return number


def _insert_parts(db: sqlite3.Connection, session: int, entry: Entry) -> None:
    for place, stage in enumerate(entry.stages):
        _insert(
            db,
            "stage",
            session_id=session,
            place=place,
            attempt=stage.attempt,
            name=clean(stage.name, 40),
            outcome=stage.outcome.value if stage.outcome else "",
            started_s=stage.started_s,
            elapsed_s=stage.elapsed_s,
            wire_s=stage.wire_s,
            chip_s=stage.chip_s,
            host_s=stage.host_s,
            bytes_out=stage.bytes_out,
            bytes_in=stage.bytes_in,
            hint=clean(stage.hint, 40),
            message=clean(stage.message),
        )
    for attempt in entry.attempts:
        for seen in attempt.observations:
            _insert(db, "observation", session_id=session, attempt=attempt.n, code=seen.id, count=seen.count)
        for place, cause in enumerate(attempt.causes):
            where = {"session_id": session, "attempt": attempt.n, "place": place}
            _insert(db, "cause_shown", **where, cause=cause.id, probability=cause.probability)
    for place, deed in enumerate(entry.deeds):
        _insert(
            db,
            "deed",
            session_id=session,
            place=place,
            attempt=deed.attempt,
            at_s=deed.at_s,
            action=deed.action,
            step=deed.check,
            outcome=deed.outcome,
            value=deed.value,
            unit=deed.unit,
        )


def _insert_fix(db: sqlite3.Connection, session: int, fix: Fix, noted_ns: int) -> None:
    words = {"cause": fix.cause, "part": fix.part, "joint": fix.joint, "note": fix.note, "noted_by": fix.by}
    number = _insert(db, "fix", session_id=session, noted_ns=noted_ns, **words)
    for file in dict.fromkeys(fix.photos):
        _insert(db, "photo", fix_id=number, file=file)
