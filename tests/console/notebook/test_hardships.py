"""Killed writers, two writers, a full disk, newer and foreign files, places where nothing may be written."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pytest

from console.errors import InputTrouble, Outcome
from console.notebook import schema
from console.notebook.entry import Entry, Fix
from console.notebook.schema import APPLICATION_ID, STEPS, migrate, version_of
from console.notebook.store import Notebook

ROOT = Path(__file__).resolve().parents[3]
Make = Callable[..., Entry]

# One process forks writers and kills each in another moment: every few steps of SQLite's own machine, then, when the
# writer has said that it writes, at whatever point of a write to the disk it has reached.
KILLER = """
import json, os, signal, sys
from pathlib import Path
from console.notebook.store import Notebook
from tests.console.notebook.conftest import entry

file = Path(sys.argv[1])
Notebook.open(file).close()

def child(die_after, say):
    notebook = Notebook.open(file)
    if die_after:
        left = [die_after]
        def count():
            left[0] -= 1
            if not left[0]:
                os.kill(os.getpid(), signal.SIGKILL)
            return 0
        notebook._db.set_progress_handler(count, 1)
    os.write(say, b".")
    while True:
        os.write(say, b"%d\\n" % notebook.store(entry("tern-%d" % os.getpid())))

kept = []
killed = 0
for die_after in [*range(1, 190, 8), *[0] * 10]:
    hear, say = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(hear)
        child(die_after, say)
    os.close(say)
    heard = os.read(hear, 1)
    if not die_after:
        while heard.count(b"\\n") < 1:
            heard += os.read(hear, 4096)
        os.kill(pid, signal.SIGKILL)
    while more := os.read(hear, 65536):
        heard += more
    os.close(hear)
    killed += os.waitpid(pid, 0)[1] == signal.SIGKILL
    kept += [int(n) for n in heard.strip(b".").split(b"\\n")[:-1]]
print(json.dumps({"kept": kept, "killed": killed}))
"""


def run(program: str, *words: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", program, *words],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork, which this system does not have")
def test_a_killed_writer_leaves_whole_sessions_and_every_one_it_reported(file: Path) -> None:
    found = json.loads(run(KILLER, str(file)))
    assert found["killed"] == 34
    db = sqlite3.connect(file)
    assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert db.execute("PRAGMA foreign_key_check").fetchall() == []
    sessions = {row[0] for row in db.execute("SELECT id FROM session")}
    assert sessions >= set(found["kept"])
    assert len(found["kept"]) >= 10
    # each has its board and its one stage: no half of a session is there
    whole = db.execute(
        "SELECT s.id FROM session s JOIN board b ON b.id = s.board_id JOIN stage t ON t.session_id = s.id"
    )
    assert {row[0] for row in whole} == sessions
    db.close()
    with Notebook.open(file) as notebook:
        assert len(notebook.sessions()) == len(sessions)


# Killed while the first tables are made, in another moment each time, always in the same file.
BEGINNER = """
import os, signal, sqlite3, sys
from pathlib import Path
from console.notebook.schema import migrate
from console.notebook.store import Notebook
killed = 0
for die_after in range(1, 700, 23):
    pid = os.fork()
    if pid == 0:
        db = sqlite3.connect(sys.argv[1], isolation_level=None)
        left = [die_after]
        def count():
            left[0] -= 1
            if not left[0]:
                os.kill(os.getpid(), signal.SIGKILL)
            return 0
        db.set_progress_handler(count, 1)
        migrate(db)
        os._exit(0)
    killed += os.waitpid(pid, 0)[1] == signal.SIGKILL
print(killed)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork, which this system does not have")
def test_a_beginning_that_was_killed_begins_again(tmp_path: Path, make: Make) -> None:
    file = tmp_path / "notebook.sqlite"
    assert int(run(BEGINNER, str(file))) > 10
    with Notebook.open(file) as notebook:
        assert version_of(notebook._db) == len(STEPS)
        assert notebook.store(make()) == 1


WRITER = """
import sys
from pathlib import Path
from console.notebook.store import Notebook
from tests.console.notebook.conftest import entry
with Notebook.open(Path(sys.argv[1])) as notebook:
    for day in range(40):
        notebook.store(entry("tern-%s" % sys.argv[2], day=day))
"""


def test_two_processes_begin_and_write_the_same_notebook(file: Path) -> None:
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    writers = [subprocess.Popen([sys.executable, "-c", WRITER, str(file), name], cwd=ROOT, env=env) for name in "ab"]
    assert [writer.wait() for writer in writers] == [0, 0]
    with Notebook.open_to_read(file) as notebook:
        rows = notebook.sessions()
        assert {board: sum(row.board == board for row in rows) for board in notebook.boards()} == {
            "tern-a": 40,
            "tern-b": 40,
        }


def test_a_writer_that_cannot_get_its_turn_says_so(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        notebook._db.execute("PRAGMA busy_timeout = 1")
        other = sqlite3.connect(file, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(InputTrouble) as error:
            notebook.store(make())
        assert error.value.code == "notebook-busy"
        assert notebook.sessions() == []  # reading goes on meanwhile
        other.execute("ROLLBACK")
        other.close()
        assert notebook.store(make())


def test_a_full_disk_is_told_and_what_was_there_stays(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        kept = [notebook.store(make()) for _ in range(3)]
        pages = notebook._db.execute("PRAGMA page_count").fetchone()[0]
        notebook._db.execute(f"PRAGMA max_page_count = {pages + 1}")  # SQLite says SQLITE_FULL, as for a full disk

        def fill() -> None:
            for day in range(500):
                kept.append(notebook.store(make(f"tern-{day}", day=day)))

        with pytest.raises(InputTrouble) as error:
            fill()
        assert error.value.code == "notebook-full"
        assert error.value.help
        assert {row.id for row in notebook.sessions()} == set(kept)
        notebook._db.execute("PRAGMA max_page_count = 100000")
        assert notebook.store(make()) == len(kept) + 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full, which this system does not have")
def test_a_disk_that_takes_nothing_is_told() -> None:
    with pytest.raises(InputTrouble) as error:
        Notebook.open(Path("/dev/full"))
    assert error.value.code.startswith("notebook")


def test_a_newer_notebook_is_refused_kindly_and_not_touched(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        notebook.store(make())
    db = sqlite3.connect(file, isolation_level=None)
    db.execute(f"PRAGMA user_version = {len(STEPS) + 6}")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()
    before = file.read_bytes()
    for opening in (Notebook.open, Notebook.open_to_read):
        with pytest.raises(InputTrouble) as error:
            opening(file)
        assert error.value.code == "notebook-newer"
        assert f"format {len(STEPS) + 6}, this one knows {len(STEPS)}" in error.value.message
        assert "reading only" in error.value.note
    assert file.read_bytes() == before


@pytest.mark.parametrize("opening", [Notebook.open, Notebook.open_to_read])
@pytest.mark.parametrize("content", [b"0.4 V at U4\n" * 200, b"SQLite format 3\x00" + bytes(500), b"\x00" * 5000])
def test_a_file_that_is_no_notebook_stays_as_it_is(
    tmp_path: Path, content: bytes, opening: Callable[[Path], Notebook]
) -> None:
    file = tmp_path / "notes.txt"
    file.write_bytes(content)
    with pytest.raises(InputTrouble) as error:
        opening(file)
    assert error.value.code in ("notebook-foreign", "notebook-damaged")
    assert str(file) in error.value.where
    assert file.read_bytes() == content


@pytest.mark.parametrize("opening", [Notebook.open, Notebook.open_to_read])
def test_another_programs_database_stays_as_it_is(tmp_path: Path, opening: Callable[[Path], Notebook]) -> None:
    file = tmp_path / "other.sqlite"
    db = sqlite3.connect(file)
    with db:
        db.execute("CREATE TABLE session (id INTEGER)")
    db.close()
    before = file.read_bytes()
    with pytest.raises(InputTrouble) as error:
        opening(file)
    assert error.value.code == "notebook-foreign"
    assert file.read_bytes() == before


def test_a_cut_file_is_told_as_damage(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        for day in range(30):
            notebook.store(make(day=day))
        notebook._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    file.write_bytes(file.read_bytes()[: 4096 * 3])

    def use() -> None:
        with Notebook.open(file) as notebook:
            notebook.sessions()
            notebook.store(make())

    with pytest.raises(InputTrouble) as error:
        use()
    assert error.value.code == "notebook-damaged"


@pytest.mark.parametrize("place", ["", "file/notebook.sqlite"], ids=["a folder", "below a file"])
def test_a_place_that_cannot_hold_a_file_is_told(tmp_path: Path, place: str) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputTrouble) as error:
        Notebook.open(tmp_path / place)
    assert error.value.code == "notebook-place"
    with pytest.raises(InputTrouble) as error:
        Notebook.open_to_read(tmp_path / place)
    assert error.value.code == ("notebook-missing" if place else "notebook-place")


def test_where_there_is_none_reading_says_how_one_begins(file: Path) -> None:
    with pytest.raises(InputTrouble) as error:
        Notebook.open_to_read(file)
    assert error.value.code == "notebook-missing"
    assert not file.exists()


READ_ONLY = """
import os, sys
from pathlib import Path
from console.errors import InputTrouble
from console.notebook.store import Notebook
from tests.console.notebook.conftest import entry
if os.getuid() == 0:
    os.setuid(65534)  # the system's administrator may write anywhere
file = Path(sys.argv[1])
try:
    with Notebook.open_to_read(file) as notebook:
        print(len(notebook.sessions()))
except InputTrouble as error:
    print(error.code)
for path in (file, file.with_name("new.sqlite")):
    try:
        with Notebook.open(path) as notebook:
            notebook.store(entry())
    except InputTrouble as error:
        print(error.code)
"""


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="needs users, which this system does not have")
def test_a_folder_that_may_not_be_written_to_can_still_be_read(make: Make) -> None:
    with tempfile.TemporaryDirectory() as folder:  # above it nothing is private, unlike pytest's own
        file = Path(folder) / "notebook.sqlite"
        with Notebook.open(file) as notebook:
            notebook.store(make())
        file.chmod(0o444)
        Path(folder).chmod(0o555)
        try:
            assert run(READ_ONLY, str(file)).split() == ["1", "notebook-read-only", "notebook-place"]
        finally:
            Path(folder).chmod(stat.S_IRWXU)


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="needs users, which this system does not have")
def test_a_log_that_a_killed_writer_left_is_never_left_out_of_the_reading(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook, tempfile.TemporaryDirectory() as folder:
        notebook.store(make())
        for name in (file.name, f"{file.name}-wal"):
            shutil.copy(file.with_name(name), folder)
        assert (Path(folder) / f"{file.name}-wal").stat().st_size
        Path(folder).chmod(0o555)
        try:
            assert run(READ_ONLY, str(Path(folder) / file.name)).split()[0] == "notebook-place"
        finally:
            Path(folder).chmod(stat.S_IRWXU)


NO_LOOK = """
import os, sys
from pathlib import Path
from console.errors import InputTrouble
from console.notebook.keeper import Keeper
from console.notebook.place import is_begun, is_there
from console.notebook.store import Notebook
if os.getuid() == 0:
    os.setuid(65534)
file = Path(sys.argv[1])
print(is_there(file), is_begun(file))
for use in (Notebook.open, Notebook.open_to_read, Keeper):
    try:
        use(file)
    except InputTrouble as error:
        print(error.code)
"""


@pytest.mark.skipif(not hasattr(os, "setuid"), reason="needs users, which this system does not have")
def test_a_folder_that_may_not_be_looked_into_is_told() -> None:
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0)
        try:
            told = run(NO_LOOK, str(Path(folder) / "notebook.sqlite")).split()
            assert told == ["True", "True", *["notebook-place"] * 3]
        finally:
            Path(folder).chmod(stat.S_IRWXU)


FULL = """
import resource, signal, sys
from pathlib import Path
from console.errors import InputTrouble
from console.notebook.keeper import Keeper
from console.notebook.store import Notebook
from tests.console.notebook.conftest import entry
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))  # no file can grow, as on a full disk (setrlimit(2))
file = Path(sys.argv[1])
with Notebook.open_to_read(file) as notebook:
    print(len(notebook.sessions()))
keeper = Keeper(file)
print(keeper.trouble)
try:
    with Notebook.open(file) as notebook:
        notebook.store(entry())
except InputTrouble as error:
    print(error.code)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs limits for a process, which this system does not have")
def test_on_a_full_disk_what_is_there_can_be_read(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        notebook.store(make())
    read, trouble, code = run(FULL, str(file)).split()
    assert (read, trouble) == ("1", "None")
    assert code in ("notebook-disk", "notebook-full")


def test_the_first_format_is_brought_up_and_keeps_what_was_there(file: Path) -> None:
    file.parent.mkdir(parents=True)
    db = sqlite3.connect(file, isolation_level=None)
    migrate(db, STEPS[:1])
    db.execute("INSERT INTO board VALUES (1, 'tern-07', 'B', 1040, '')")
    columns = "board_id, started_ns, port, settings, capture, capture_sha256, outcome, first_outcome, stopped_at"
    values = "1, 0, 'p', '{}', '', '', 'no-answer', 'no-answer', 'sync'"
    db.execute(
        f"INSERT INTO session ({columns}, failed_attempt, suspect, tool_version, simulated, words)"
        f" VALUES ({values}, 1, '', '0.1', 0, 'tern-07')"
    )
    db.close()
    with Notebook.open_to_read(file) as notebook:
        found = notebook.session(1)
    assert (found.row.board, found.row.product_id, found.known.product_id) == ("tern-07", None, 0x410)
    assert (found.known.design.revision, found.twins) == ("B", ())


def test_an_earlier_format_is_brought_up_step_by_step(file: Path, make: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    with Notebook.open(file) as notebook:
        notebook.store(make())
    later = (*STEPS, "CREATE TABLE batch (id INTEGER PRIMARY KEY); INSERT INTO batch VALUES (1)")
    monkeypatch.setattr("console.notebook.store.STEPS", later)
    monkeypatch.setattr(schema.migrate, "__defaults__", (later,))
    with Notebook.open_to_read(file) as notebook:
        assert version_of(notebook._db) == len(later)
        assert notebook._db.execute("SELECT id FROM batch").fetchall() == [(1,)]
        assert len(notebook.sessions()) == 1


def test_a_step_that_fails_leaves_the_format_before(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / "x.sqlite", isolation_level=None)
    migrate(db)
    with pytest.raises(sqlite3.OperationalError):
        migrate(db, (*STEPS, "CREATE TABLE half (id INTEGER); CREATE TABLE board (id INTEGER)"))
    assert version_of(db) == len(STEPS)
    assert db.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'half'").fetchone() == (0,)
    # the id in the header that tells a notebook from other databases (sqlite.org/fileformat2.html s.1.3.16: offset 68)
    assert int.from_bytes((tmp_path / "x.sqlite").read_bytes()[68:72], "big") == APPLICATION_ID
    db.close()


def test_deleting_a_session_takes_all_its_parts(file: Path, make: Make) -> None:
    with Notebook.open(file) as notebook:
        number = notebook.store(make(first=Outcome.NO_ANSWER))
        notebook.add_fix(number, Fix("target-dead", photos=("a.jpg",)), 0)
        notebook._db.execute("DELETE FROM session")
        for table in ("stage", "observation", "cause_shown", "deed", "fix", "photo"):
            assert notebook._db.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,)
