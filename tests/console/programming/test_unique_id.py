"""The chip's unique id: read where the loader gives it, and kept; where it does not, nothing hangs on it."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from typing import Any, cast

import pytest

import protocols
from console.events import Event
from console.programming.chip_file import find_chip
from console.programming.planner import erase_plan
from console.programming.run import offered, unique_id, wake
from console.programming.stages import Work, unique_id_stage
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from protocols.an3155.target import Chip as Simulated
from protocols.an3155.target import Target
from protocols.conversation import Conversation
from protocols.programmer import Programmer
from tests.chip_link import ChipLink, warp

F10X = find_chip("0x410")
ADDRESS = 0x1FFF_F7E8  # the family's reference manual, section on the device's electronic signature (from memory)
ID = bytes.fromhex("36ffd6053041373331730643")


def read(target: Target, address: int | None = ADDRESS) -> tuple[str, Snapshot, list[Event], bool]:
    """What is read, the picture then, and whether the chip still takes commands afterwards."""

    async def story() -> tuple[str, Snapshot, list[Event], bool]:
        fold, events = Fold(), list[Event]()
        link = ChipLink(target)
        session = Session(link, protocols.load("an3155"), clock=link.clock, sinks=[fold.add, events.append])
        async with session:
            await wake(session, listen_s=0)
            programmer = offered(session)
            work = Work(programmer, erase_plan(replace(F10X, unique_id_address=address), (), programmer))
            found = await unique_id(session, work)
            again = await session.converse("read", programmer.read(F10X.flash_start, 4))
        return found, fold.snapshot(), events, again == b"\xff" * 4

    return warp(story())


def test_the_table_knows_where_it_is() -> None:
    assert F10X.unique_id_address == ADDRESS


def test_it_is_read_and_kept_in_the_record() -> None:
    target = Target(Simulated())
    target.memory.load(ADDRESS, ID)
    found, snapshot, events, alive = read(target)
    assert (found, snapshot.unique_id, alive) == (ID.hex(), ID.hex(), True)
    replayed = Fold()
    for event in events:
        replayed.add(event)
    assert replayed.snapshot().unique_id == ID.hex()


@pytest.mark.parametrize(
    ("readings", "kept"),
    [([ID, ID], ID), ([ID[::-1], ID, ID], ID), ([bytes([n] * 12) for n in range(9)], b"")],
    ids=["at once", "one spoiled", "never twice the same"],
)
def test_it_is_kept_once_two_readings_agree(readings: list[bytes], kept: bytes, programmer: Programmer) -> None:
    left = iter(readings)

    class Reader:
        def read(self, address: int, size: int) -> Conversation[bytes]:
            yield from ()
            return next(left)

    told: list[object] = []

    def whole() -> Generator[object, bytes, None]:
        work = Work(cast(Any, Reader()), erase_plan(F10X, (), programmer))
        found = yield from unique_id_stage(work, ADDRESS, 12)
        told.append(found)

    notes = list(whole())
    assert told == [kept]
    assert len(notes) == (0 if kept else 1)


@pytest.mark.parametrize("blank", [b"\xff" * 12, b"\x00" * 12])
def test_blank_memory_is_no_id(blank: bytes) -> None:
    target = Target(Simulated())
    target.memory.load(ADDRESS, blank)
    found, snapshot, _, alive = read(target)
    assert (found, snapshot.unique_id, alive) == ("", "", True)


# below 3.1 a bad address is dropped in silence (AN3155 Rev 20 Table 3)
@pytest.mark.parametrize("version", [0x22, 0x31])
def test_a_chip_that_does_not_give_it_goes_on(version: int) -> None:
    found, snapshot, _, alive = read(Target(Simulated(loader_version=version)), 0x3000_0000)
    assert (found, snapshot.unique_id, alive) == ("", "", True)
    assert any("does not give its unique id" in note for note in snapshot.notes)


def test_a_chip_whose_table_has_no_address_is_not_asked() -> None:
    found, snapshot, _, alive = read(Target(Simulated()), None)
    assert (found, alive) == ("", True)
    assert "unique id" not in [stage.name for stage in snapshot.stages]
