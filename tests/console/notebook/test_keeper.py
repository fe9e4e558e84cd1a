"""When a session is kept, what the next one learns from it, and that no trouble stops the bench."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pytest

from console.causes.catalogue import catalogue
from console.causes.learning import learned_priors
from console.errors import InputTrouble, Outcome
from console.events import MarkKind
from console.notebook.entry import Fix
from console.notebook.history import Design
from console.notebook.keeper import Keeper
from console.notebook.place import default_path
from console.notebook.store import Notebook
from console.snapshot import Fold


def test_the_users_own_notebook_begins_with_the_first_named_board(told: Any) -> None:
    snapshot = told.tries(answers=False).snapshot
    assert Keeper().keep(snapshot) is None
    assert not default_path().exists()
    kept = Keeper(board="tern-07").keep(snapshot)
    assert kept is not None
    assert (kept.path, kept.session) == (default_path(), 1)
    assert Keeper().keep(snapshot) is not None  # from now on every session is kept


def test_the_users_own_notebook_takes_no_simulated_board_and_a_named_one_does(told: Any, file: Path) -> None:
    snapshot = told.opens(simulated=True).tries(answers=False).snapshot
    assert Keeper(board="tern-07").keep(snapshot) is None
    assert not default_path().exists()
    assert Keeper(file).keep(snapshot) is not None
    with Notebook.open_to_read(file) as notebook:
        assert [row.simulated for row in notebook.sessions()] == [True]


def test_where_nothing_was_tried_nothing_is_kept(told: Any, file: Path) -> None:
    assert Keeper(file).keep(told.snapshot) is None
    assert not file.exists()


def test_the_capture_is_kept_with_its_fingerprint(told: Any, file: Path, tmp_path: Path) -> None:
    capture = tmp_path / "a.pcapng"
    capture.write_bytes(b"abc")
    kept = Keeper(file).keep(told.tries(answers=True).snapshot, capture=str(capture))
    assert kept is not None
    assert kept.session is not None
    with Notebook.open_to_read(file) as notebook:
        found = notebook.session(kept.session)
    assert found.capture == str(capture)
    # FIPS 180-4's example message "abc"
    assert found.capture_sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert found.capture_sha256 == hashlib.sha256(b"abc").hexdigest()


def test_a_capture_that_is_gone_or_a_folder_has_no_fingerprint(told: Any, file: Path, tmp_path: Path) -> None:
    snapshot = told.tries(answers=True).snapshot
    for lost in (tmp_path, tmp_path / "nothing"):
        kept = Keeper(file).keep(snapshot, capture=str(lost))
        assert kept is not None
        assert kept.session is not None
        with Notebook.open_to_read(file) as notebook:
            assert notebook.session(kept.session).capture_sha256 == ""


def test_confirmed_fixes_move_the_ranking_of_the_next_session(told: Any, file: Path, make: Any) -> None:
    with Notebook.open(file) as notebook:
        for n in range(12):
            number = notebook.store(make(f"tern-{n}", first=Outcome.NO_ANSWER))
            notebook.add_fix(number, Fix("board-rx-open", "U4"), 0)
            notebook.store(make(f"tern-{n}", day=1))
    keeper = Keeper(file)
    assert keeper.priors == pytest.approx(learned_priors(catalogue().priors(), {"board-rx-open": 12}))
    story = told.tries(answers=False)
    assert story.snapshot.causes[0].id == "wires-uncrossed"  # what the table alone says
    learned = type(told)()
    learned.fold = Fold(keeper.priors)
    learned.tries(answers=False)
    assert learned.snapshot.causes[0].id == "board-rx-open"
    assert learned.snapshot.next_check != story.snapshot.next_check  # the next check follows what was learned

    kept = keeper.keep(learned.snapshot)
    assert kept is not None
    assert (kept.like.fixed_at, kept.like.fixed) == ((("U4", 12),), 12)
    words = "\n".join(kept.lines())
    assert "12 of 12 boards that stopped at sync with the same reading were fixed at U4" in words
    assert f"add-fix {kept.session}" in words
    assert "leaned on 12 confirmed fixes" in words
    assert kept.as_object()["similar"]["fixed_at"] == [{"place": "U4", "boards": 12}]


def test_a_fix_moves_its_own_design_most_and_names_no_part_of_another(file: Path, make: Any) -> None:
    with Notebook.open(file) as notebook:
        for n in range(12):
            built = {"design": "gull", "revision": "A"}
            number = notebook.store(make(f"gull-{n}", first=Outcome.NO_ANSWER, **built))
            notebook.add_fix(number, Fix("board-rx-open", "U4", "17"), 0)
            notebook.store(make(f"gull-{n}", day=1, **built))
        notebook.store(make("tern-1", first=Outcome.NO_ANSWER, design="tern", revision="B"))
    rx, table = "board-rx-open", catalogue().priors()
    own = Keeper(file, board="gull-99", design=Design("gull", "A"))
    known, other = Keeper(file, board="gull-3"), Keeper(file, board="tern-1")
    assert own.priors is not None
    assert other.priors is not None
    assert known.priors == own.priors  # the notebook knows what it is built to
    start = table[rx] / sum(table.values())
    # the iron is the same: the cause became likelier everywhere, but on its own design most
    assert own.priors[rx] == pytest.approx((12 + 10 * start) / 22)
    assert start < other.priors[rx] < own.priors[rx] / 2
    # the part's name means nothing on another board
    assert own.past is not None
    assert other.past is not None
    assert (own.past.boards, len(own.past.here)) == (12, 12)
    assert (other.past.boards, other.past.all_mended) == (1, ())


def test_the_same_chip_under_another_name_is_said_kindly(told: Any, file: Path, make: Any) -> None:
    with Notebook.open(file) as notebook:
        notebook.store(make("tern-07", unique_id="36ffd6053041373331730643"))
    told.tries(answers=True).mark(MarkKind.CHIP, unique_id="36ffd6053041373331730643")
    kept = Keeper(file, board="tern-08").keep(told.snapshot)
    assert kept is not None
    assert kept.twins == ("tern-07",)
    words = "\n".join(kept.lines())
    assert "this chip's unique id was read as tern-07 too: is tern-08 the same board under another name" in words
    assert kept.as_object()["same_unique_id"] == ["tern-07"]
    again = Keeper(file, board="tern-07").keep(told.snapshot)
    assert again is not None
    assert again.twins == ("tern-08",)


def test_at_the_bench_only_a_failure_brings_experience(told: Any, file: Path, make: Any) -> None:
    keeper = Keeper(file)
    assert keeper.experience(told.tries(answers=False).snapshot) == []  # no notebook yet
    with Notebook.open(file) as notebook:
        notebook.store(make("tern-00", first=Outcome.NO_ANSWER))
        assert keeper.experience(told.snapshot) == []  # a sister that nobody fixed says nothing
        notebook.add_fix(notebook.store(make("tern-01", first=Outcome.NO_ANSWER)), Fix("board-rx-open", "U4"), 0)
        notebook.store(make("tern-01", day=1))
    first, second = keeper.experience(told.snapshot)
    assert first == "1 of 1 board that stopped at sync with the same reading was fixed at U4"
    assert second.startswith("1 more board")
    assert keeper.experience(told.tries(answers=True).snapshot) == []
    told.mark(MarkKind.ATTEMPT, n=3, wires="as-built")
    told.mark(MarkKind.STAGE_BEGIN, name="sync")
    assert keeper.experience(told.snapshot) == []  # it still runs
    told.mark(MarkKind.STAGE_END, name="sync", outcome="stopped")
    assert keeper.experience(told.snapshot) == []  # no verdict
    file.write_text("shopping list")
    assert keeper.experience(told.tries(answers=False).snapshot) == []


def test_without_confirmed_fixes_the_table_stands(file: Path, make: Any) -> None:
    with Notebook.open(file) as notebook:
        notebook.add_fix(notebook.store(make(first=Outcome.NO_ANSWER)), Fix("board-rx-open"), 0)
        notebook.add_fix(notebook.store(make("x", first=Outcome.NO_ANSWER, last=Outcome.OK, simulated=True)),
                         Fix("target-dead"), 0)  # fmt: skip
    assert Keeper(file).priors is None


def test_a_named_notebook_that_is_none_is_refused_at_once_and_the_own_one_is_told(told: Any, file: Path) -> None:
    file.parent.mkdir(parents=True)
    file.write_text("shopping list")
    with pytest.raises(InputTrouble):
        Keeper(file)
    default_path().parent.mkdir(parents=True)
    default_path().write_text("shopping list")
    keeper = Keeper()
    assert keeper.trouble is not None
    assert keeper.priors is None
    kept = keeper.keep(told.tries(answers=False).snapshot)
    assert kept is not None
    assert kept.trouble is not None  # told, and the session's own result stands
    assert kept.lines()[0].startswith("this session is not in the notebook")
    assert kept.as_object()["error"]["code"] == "notebook-foreign"
    assert default_path().read_text() == "shopping list"


def test_a_full_disk_at_the_end_of_a_session_is_told(told: Any, file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = Notebook.open.__func__  # type: ignore[attr-defined]

    def cramped(cls: type[Notebook], path: Path) -> Notebook:
        notebook: Notebook = opened(cls, path)
        pages = notebook._db.execute("PRAGMA page_count").fetchone()[0]
        notebook._db.execute(f"PRAGMA max_page_count = {pages}")
        return notebook

    monkeypatch.setattr(Notebook, "open", classmethod(cramped))
    for _ in range(40):  # more than fits into what is left of the last pages
        told.tries(answers=False)
    kept = Keeper(file, board="tern-07").keep(told.snapshot)
    assert kept is not None
    assert kept.trouble is not None
    assert kept.trouble.code == "notebook-full"


TROUBLES = [("notebook-disk", True), ("notebook-busy", True), ("notebook-foreign", False)]


@pytest.mark.parametrize(("code", "goes_on"), TROUBLES)
def test_trouble_that_may_pass_does_not_keep_from_beginning(
    file: Path, make: Any, monkeypatch: pytest.MonkeyPatch, code: str, goes_on: bool
) -> None:
    with Notebook.open(file) as notebook:
        notebook.store(make())

    def fails(path: Path) -> Notebook:
        raise InputTrouble(code, "it cannot be read now", help="wait")

    monkeypatch.setattr(Notebook, "open_to_read", fails)
    if goes_on:
        trouble = Keeper(file).trouble
        assert trouble is not None
        assert trouble.code == code
    else:
        with pytest.raises(InputTrouble):
            Keeper(file)


def test_an_empty_file_is_a_notebook_to_be(told: Any, file: Path) -> None:
    file.parent.mkdir(parents=True)
    file.touch()
    with pytest.raises(InputTrouble) as error:
        Notebook.open_to_read(file)
    assert error.value.code == "notebook-missing"
    assert file.read_bytes() == b""  # reading changes nothing
    kept = Keeper(file).keep(told.tries(answers=True).snapshot)
    assert kept is not None
    assert kept.session == 1
