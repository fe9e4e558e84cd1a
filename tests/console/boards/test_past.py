"""What the bench's own boards do to the chances of a design's places: by hand, and on the packaged board."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.boards.board_file import load_board
from console.boards.defects import defects
from console.boards.faults import Fault, place_words
from console.boards.past import Mended, Past, learned
from console.boards.plan import faults_of
from console.boards.stagerun import StageRun
from console.boards.suspects import suspects
from tests.console.bringup.staged_board import bring_up

TERN = load_board("tern-b")
FAULTS = faults_of(TERN)
TABLE = defects()


def at(faults: tuple[Fault, ...], key: str) -> Fault:
    return next(one for one in faults if one.key == key)


def test_a_place_that_was_bad_before_is_likelier_and_says_so() -> None:
    past = Past(20, (Mended("U6", "2"),) * 3, 20, (Mended("U6", "2"),) * 3)
    after = learned(FAULTS, past, TABLE)
    fault, before = at(after, "open joint U6.2"), at(FAULTS, "open joint U6.2")
    kind = before.defect.id
    places = sum(one.defect.id == kind for one in FAULTS)
    # two Beta updates by hand: the kind over all its places on 20 boards, then the place over 20 boards
    rate = (TABLE.kinds[kind].rate * TABLE.worth + 3) / (TABLE.worth + 20 * places)
    assert fault.defect.rate == pytest.approx((rate * TABLE.place_worth + 3) / (TABLE.place_worth + 20))
    assert fault.past == "put right on 3 of 20 boards of this design"
    sister = at(after, "open joint U6.1")
    assert sister.defect.rate < fault.defect.rate
    assert sister.past == ""


def test_it_is_the_first_to_look_at_where_the_stage_cannot_tell() -> None:
    memory = next(stage for stage in TERN.stages if stage.id == "memory")
    runs = [StageRun("memory", False, memory.exercises, None)]
    table_alone = [one.key for one in suspects(TERN.board, runs).items()]
    past = Past(10, (Mended("U6", "5"),) * 4, 10, (Mended("U6", "5"),) * 4)
    found = list(suspects(TERN.board, runs, faults=faults_of(TERN, past)).items())
    assert table_alone[0] != "open joint U6.5"
    assert found[0].key == "open joint U6.5"
    assert "put right on 4 of 10 boards of this design" in found[0].why


def test_a_plan_that_stops_looks_there_first() -> None:
    fault = "open-pin:pin=U6.2"
    told = bring_up(fault)
    again = bring_up(fault, past=Past(8, (Mended("U6", "2"),) * 4, 8, (Mended("U6", "2"),) * 4))
    for story in (told, again):
        assert [one.title for one in story.state.repairs] == ["U6.2: open joint"]
    looks = [sum(one.outcome in ("fine", "mended") for one in story.state.history.told) for story in (told, again)]
    assert looks[1] < looks[0]
    (suspect,) = [one for one in again.state.history.stops[0].suspects if one.key == "open joint U6.2"]
    assert "put right on 4 of 8 boards of this design" in suspect.why


def test_a_fix_that_names_only_the_part_is_shared_out() -> None:
    by_person = learned(FAULTS, Past(4, (Mended("U6", "", sure=False),), 0, ()), TABLE)
    assert by_person == FAULTS  # no board of the design: nothing is learned
    by_person = learned(FAULTS, Past(4, (Mended("U6", "", sure=False),), 4, ()), TABLE)
    by_plan = learned(FAULTS, Past(4, (Mended("U6", ""),), 4, ()), TABLE)
    whole = "part U6"
    assert at(by_plan, whole).defect.rate > at(by_person, whole).defect.rate
    joint = "open joint U6.2"
    assert at(by_person, joint).defect.rate > at(by_plan, joint).defect.rate
    assert at(by_plan, whole).past
    assert not at(by_person, whole).past


def test_another_revision_moves_the_kind_and_not_the_place() -> None:
    past = Past(0, (), 10, (Mended("U6", "2"),) * 5)
    after = learned(FAULTS, past, TABLE)
    one, sister = at(after, "open joint U6.2"), at(after, "open joint U6.1")
    assert one.defect.rate == sister.defect.rate
    assert one.past == ""


PARTS, JOINTS = ["U6", "U4", "Y1", "nobody"], ["", "2", "1 to 2", "x"]
MENDED = st.builds(Mended, st.sampled_from(PARTS), st.sampled_from(JOINTS), st.booleans())


@given(st.lists(MENDED, max_size=8), st.integers(0, 30), st.integers(0, 30))
def test_chances_stay_chances(mended: list[Mended], boards: int, more: int) -> None:
    past = Past(boards, tuple(mended), boards + more, tuple(mended))
    after = learned(FAULTS, past, TABLE)
    assert [one.key for one in after] == [one.key for one in FAULTS]
    assert all(0 < one.defect.rate < 1 for one in after)


def test_places_in_words() -> None:
    assert place_words("U4", ["R9.1", "U4.16"]) == "16 to R9.1"
    assert place_words("Y1", []) == ""
