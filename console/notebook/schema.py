"""The tables, and how a notebook of an earlier format becomes one of this format.

A format is a number in the file (`PRAGMA user_version`): how many of the steps below have been taken. A step is never
changed once it was released; a new format appends one. Each step is one transaction: it is taken or it is not.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Final

APPLICATION_ID: Final = 0x774B4E42  # "wKNB" in the file's header (sqlite.org/fileformat2.html s.1.3.16)

_FIRST: Final = """
CREATE TABLE board (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL COLLATE NOCASE UNIQUE,
    revision TEXT NOT NULL DEFAULT '',
    product_id INTEGER,
    unique_id TEXT NOT NULL DEFAULT ''
);
CREATE TABLE session (
    id INTEGER PRIMARY KEY,
    board_id INTEGER REFERENCES board(id),
    started_ns INTEGER NOT NULL,
    port TEXT NOT NULL,
    settings TEXT NOT NULL,
    capture TEXT NOT NULL,
    capture_sha256 TEXT NOT NULL,
    outcome TEXT NOT NULL,
    first_outcome TEXT NOT NULL,
    stopped_at TEXT NOT NULL,
    failed_attempt INTEGER NOT NULL,
    suspect TEXT NOT NULL,
    tool_version TEXT NOT NULL,
    simulated INTEGER NOT NULL,
    words TEXT NOT NULL
);
CREATE INDEX session_of_board ON session(board_id, started_ns);
CREATE INDEX session_by_time ON session(started_ns);
CREATE TABLE stage (
    session_id INTEGER NOT NULL REFERENCES session(id) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    attempt INTEGER NOT NULL,
    name TEXT NOT NULL,
    outcome TEXT NOT NULL,
    started_s REAL NOT NULL,
    elapsed_s REAL NOT NULL,
    wire_s REAL NOT NULL,
    chip_s REAL NOT NULL,
    host_s REAL NOT NULL,
    bytes_out INTEGER NOT NULL,
    bytes_in INTEGER NOT NULL,
    hint TEXT NOT NULL,
    message TEXT NOT NULL,
    PRIMARY KEY (session_id, place)
) WITHOUT ROWID;
CREATE TABLE observation (
    session_id INTEGER NOT NULL REFERENCES session(id) ON DELETE CASCADE,
    attempt INTEGER NOT NULL,
    code TEXT NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (session_id, attempt, code)
) WITHOUT ROWID;
CREATE TABLE cause_shown (
    session_id INTEGER NOT NULL REFERENCES session(id) ON DELETE CASCADE,
    attempt INTEGER NOT NULL,
    place INTEGER NOT NULL,
    cause TEXT NOT NULL,
    probability REAL NOT NULL,
    PRIMARY KEY (session_id, attempt, place)
) WITHOUT ROWID;
CREATE TABLE deed (
    session_id INTEGER NOT NULL REFERENCES session(id) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    attempt INTEGER NOT NULL,
    at_s REAL NOT NULL,
    action TEXT NOT NULL,
    step TEXT NOT NULL,
    outcome TEXT NOT NULL,
    value REAL,
    unit TEXT NOT NULL,
    PRIMARY KEY (session_id, place)
) WITHOUT ROWID;
CREATE TABLE fix (
    id INTEGER PRIMARY KEY,
    session_id INTEGER NOT NULL REFERENCES session(id) ON DELETE CASCADE,
    noted_ns INTEGER NOT NULL,
    cause TEXT NOT NULL,
    part TEXT NOT NULL,
    joint TEXT NOT NULL,
    note TEXT NOT NULL,
    noted_by TEXT NOT NULL
);
CREATE INDEX fix_of_session ON fix(session_id);
CREATE TABLE photo (
    fix_id INTEGER NOT NULL REFERENCES fix(id) ON DELETE CASCADE,
    file TEXT NOT NULL,
    PRIMARY KEY (fix_id, file)
) WITHOUT ROWID;
"""
# what one session saw stands at the session; the board's own row holds the latest that any of them knew
_SECOND: Final = """
ALTER TABLE board ADD COLUMN design TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN design TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN revision TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN product_id INTEGER;
ALTER TABLE session ADD COLUMN unique_id TEXT NOT NULL DEFAULT '';
CREATE INDEX session_of_chip ON session(unique_id) WHERE unique_id <> '';
"""
STEPS: Final[tuple[str, ...]] = (_FIRST, _SECOND)


def version_of(connection: sqlite3.Connection) -> int:
    """The file's format; 0 for an empty file."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(connection: sqlite3.Connection, steps: Sequence[str] = STEPS) -> None:
    """Take the steps that are missing, each in a transaction of its own. Raises sqlite3.Error; then the last is undone.

    The connection must be in autocommit mode. Two processes may do this at once: the second finds it done.
    """
    while version_of(connection) < len(steps):
        connection.execute("BEGIN IMMEDIATE")
        try:
            version = version_of(connection)  # another process may have been here first
            if version < len(steps):
                for statement in _statements(steps[version]):
                    connection.execute(statement)
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {version + 1}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise


def _statements(script: str) -> list[str]:
    return [statement for statement in script.split(";") if statement.strip()]
