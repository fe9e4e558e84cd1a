"""Programming from the screens: choose, see the plan, agree, watch, know what is proven. The chip is `target.py`."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import struct
from collections.abc import Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from textual.widgets import Input, Static

from console.clock import Clock
from console.errors import Outcome
from console.link.base import LinkSettings
from console.screens.app import WakelineApp
from console.screens.ask_screen import AskScreen, ChooseScreen
from console.screens.bench_screen import BenchScreen
from console.screens.consent_screen import ConsentScreen
from console.screens.job_screen import JobScreen
from console.screens.source import LiveSource
from console.screens.task_screen import TaskScreen
from console.session.session import Session
from console.signals import heeded
from protocols.an3155.flaws import Flaws, StuckBit
from protocols.an3155.target import COMMANDS_EXTENDED, Chip, Target
from tests.chip_link import ChipLink
from tests.protocols.an3155.test_supply import F40X

FLASH = 0x0800_0000
SMALL = Chip(product_id=0x412, flash_size=32 * 1024)
WRITE = b"\x31\xce"  # AN3155 Rev 20 s.3.6
FIRMWARE = bytearray(random.Random(3).randbytes(3000))
FIRMWARE[:8] = struct.pack("<II", 0x2000_2000, 0x0800_0101)
Until = Callable[..., Awaitable[None]]


class QuickLink(ChipLink):
    """Takes no time. From the `hold_at`-th write on it is as if the line stood still, until it is released."""

    hold_at = 0
    writes = 0
    held: bytes | None = None

    def write(self, data: bytes) -> None:
        self.sent += len(data)
        self.writes += data == WRITE
        if self.writes == self.hold_at > 0:
            self.held = data
        else:
            asyncio.get_running_loop().call_soon(self._answer, data)

    def release(self) -> None:
        self.hold_at, data = 0, self.held
        assert data is not None
        self._answer(data)

    def _answer(self, data: bytes) -> None:
        replies = b"".join(reply.data for byte in data for reply in self.target.receive(byte))
        if replies and self._receiver is not None:
            self._receiver.data_in(replies, self.clock.now_ns())


class Board:
    """A chip behind a link that needs no port, and the app over it."""

    def __init__(self, chip: Chip = SMALL, flaws: Flaws | None = None) -> None:
        self.target = Target(chip, flaws)
        self.hold_at = 0
        self.links: list[QuickLink] = []
        self.source = LiveSource(LinkSettings(port="chip"), make=self._make, listen_s=0)
        self.app = WakelineApp()
        self.app.source, self.app.tells_exit = self.source, True

    def _make(self, settings: LinkSettings, clock: Clock) -> QuickLink:
        self.links.append(QuickLink(self.target))
        self.links[-1].hold_at = self.hold_at
        return self.links[-1]

    def holds(self, data: bytes, at: int = FLASH) -> bool:
        return self.target.memory.read(at, len(data)) == data

    @property
    def screen(self) -> TaskScreen:
        return next(one for one in self.app.screen_stack if isinstance(one, TaskScreen))

    @property
    def over(self) -> bool:
        """Whether the task has ended and its end is shown."""
        shown = [one for one in self.app.screen_stack if isinstance(one, TaskScreen)]
        return bool(shown) and not shown[0].chip_task.running and shown[0].snapshot.running_stage is None

    def asks(self) -> bool:
        return isinstance(self.app.screen, ConsentScreen)

    async def choose(self, pilot: Any, until: Until, number: int, **lines: str) -> None:
        """p, a number, what is typed into the form's lines, Enter."""
        await until(pilot, lambda: isinstance(self.app.screen, BenchScreen) and self.app.screen.snapshot.port)
        await pilot.press("p", str(number), "enter")
        form = self.app.screen
        assert isinstance(form, JobScreen)
        for name, text in lines.items():
            box = form.query_one(f"#{name}")
            if text:
                box.value = text  # type: ignore[attr-defined]
            else:
                box.focus()
                await pilot.press("space")
        form.query("Input").first().focus()
        await pilot.press("enter")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "tern.bin").write_bytes(FIRMWARE)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def board() -> Board:
    return Board()


AT = {"address": "0x0800_0000"}


def words(screen_text: Any, app: WakelineApp) -> str:
    return " ".join(screen_text(app).replace("│", " ").split())


def told(app: WakelineApp) -> str:
    """All texts of the uppermost screen, however they are wrapped."""
    return " ".join(" ".join(str(one.content) for one in app.screen.query(Static)).split())


async def test_the_plan_is_seen_and_what_is_proven_then_it_starts(
    board: Board, size: Any, until: Until, screen_text: Any
) -> None:
    async with board.app.run_test(size=size) as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        shown = words(screen_text, board.app)
        for part in ("erase: 3 pages (0-2)", "write: 3000 bytes", "expected: at most", "caution", "mains", "y yes"):
            assert part in shown
        assert board.holds(b"\xff" * 3000)
        await pilot.press("y")
        await until(pilot, lambda: board.over)
        assert board.holds(bytes(FIRMWARE))
        shown = words(screen_text, board.app)
        assert "✓ done: program" in shown
        assert "proven by reading back: 08000000-08000BB7" in shown  # 3000 bytes: 0xBB8
        assert not board.target.running_application
        await pilot.press("s")
        await until(pilot, lambda: "started" in board.screen.chip_task.on.more)  # type: ignore[union-attr]
        assert board.target.running_application
        assert board.target.entry == (0x2000_2000, 0x0800_0101)
        await until(pilot, lambda: board.over)
        await pilot.press("escape")
        assert "done and proven" in words(screen_text, board.app)
    assert board.app.return_code == 0 or board.app.return_code is None


@pytest.mark.parametrize("keys", [["escape"], ["n"]])
async def test_saying_no_changes_nothing(keys: list[str], board: Board, until: Until, screen_text: Any) -> None:
    board.target.memory.load(FLASH, b"old")
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        await pilot.press("enter")  # agreeing takes a key of its own
        assert board.asks()
        await pilot.press(*keys)
        await until(pilot, lambda: board.over)
        assert board.screen.snapshot.outcome is Outcome.STOPPED
        assert "nothing was changed" in words(screen_text, board.app)
    assert board.holds(b"old")


@pytest.mark.parametrize("number", [1, 5], ids=["program", "erase"])
async def test_erasing_everything_wants_the_typed_id(number: int, board: Board, until: Until, screen_text: Any) -> None:
    board.target.memory.load(FLASH + 0x4000, b"old")
    lines = {**AT, "erase_all": ""} if number == 1 else {"everything": ""}
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, number, **lines)
        await until(pilot, board.asks)
        assert "erase: everything on the chip" in words(screen_text, board.app)
        await pilot.press("y", "e", "s", "enter")
        assert "that is not 0x412" in words(screen_text, board.app)
        assert board.holds(b"old", FLASH + 0x4000)
        board.app.screen.query_one("#typed").value = "0x412"  # type: ignore[attr-defined]
        await pilot.press("enter")
        await until(pilot, lambda: board.over)
        assert board.screen.snapshot.outcome is Outcome.OK
    assert board.holds(b"\xff" * 3, FLASH + 0x4000)


async def test_readout_protection_is_lifted_only_with_the_typed_id(until: Until) -> None:
    board = Board(replace(SMALL, readout_protected=True, resets_after_option_change=False))
    board.target.memory.load(FLASH, b"theirs")
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        assert "erases everything on the chip" in told(board.app)
        await pilot.press("escape")
        await until(pilot, lambda: board.over)
        assert board.target.protected
    assert board.holds(b"theirs")


async def test_stopping_leaves_whole_blocks_and_going_on_proves_them_first(
    board: Board, folder: Path, until: Until, screen_text: Any
) -> None:
    board.hold_at = 20
    (folder / "tern.bin").write_bytes(FIRMWARE * 10)
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        await pilot.press("y")
        await until(pilot, lambda: board.links[-1].held)
        await pilot.press("escape")  # stops nothing
        assert board.screen.chip_task.running
        await pilot.press("x")
        board.links[-1].release()
        await until(pilot, lambda: board.over)
        state = board.screen.snapshot.programming
        assert board.screen.snapshot.outcome is Outcome.STOPPED
        assert state is not None
        assert (state.ended, state.complete, state.erased) == (True, False, "0-29")
        shown = words(screen_text, board.app)
        assert "not complete" in shown
        assert "written, not proven: 08000100-" in shown
        await pilot.press("r")
        await until(pilot, board.asks)
        assert "found right already" in words(screen_text, board.app)
        await pilot.press("y")
        await until(pilot, lambda: board.over)
        assert board.screen.snapshot.outcome is Outcome.OK
    assert board.holds(bytes(FIRMWARE * 10))


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="this system has no such signal")
async def test_a_closed_window_ends_the_screens_and_leaves_whole_blocks(
    board: Board, folder: Path, until: Until, monkeypatch: pytest.MonkeyPatch
) -> None:
    board.hold_at = 20
    (folder / "tern.bin").write_bytes(FIRMWARE * 10)
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        await pilot.press("y")
        await until(pilot, lambda: board.links[-1].held)
        task, link, left = board.source.task, board.links[-1], asyncio.Event()
        stop = task.stop

        def stop_and_go_on(session: Session, running_stage: bool) -> None:
            stop(session, running_stage)
            link.release()

        leave = board.app.exit

        def leave_and_tell(*how: Any, **more: Any) -> None:
            leave(*how, **more)
            left.set()

        monkeypatch.setattr(task, "stop", stop_and_go_on)
        monkeypatch.setattr(board.app, "exit", leave_and_tell)
        with heeded(board.app.leave):
            signal.raise_signal(signal.SIGHUP)
            await left.wait()
    snapshot = board.source.bridge.fold.snapshot()
    state = snapshot.programming
    assert (board.app.return_value, snapshot.outcome) == (8, Outcome.STOPPED)
    assert state is not None
    assert (state.ended, state.written) == (True, f"08000100-{FLASH + 21 * 256 - 1:08X}")  # the 20 behind the first


async def test_an_update_that_goes_on_brings_back_what_was_beside_it(board: Board, folder: Path, until: Until) -> None:
    board.target.memory.load(FLASH, b"\x07" * 4096)
    board.hold_at = 5
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 2, **AT)
        await until(pilot, board.asks)
        await pilot.press("y")
        await until(pilot, lambda: board.links[-1].held)
        await pilot.press("x")
        board.links[-1].release()
        await until(pilot, lambda: board.over)
        assert not board.holds(b"\x07" * 72, FLASH + 3000)  # the rest of the third page
        await pilot.press("r")
        await until(pilot, board.asks)
        (saved,) = folder.glob("*-before.bin")  # noqa: ASYNC240  # a folder of a few files
        assert f"kept beside the image, from {saved.name}" in told(board.app)
        await pilot.press("y")
        await until(pilot, lambda: board.over)
        assert board.screen.snapshot.outcome is Outcome.OK
    assert board.holds(bytes(FIRMWARE) + b"\x07" * 1096)


async def test_no_advice_on_the_way_names_an_option_of_the_command_line(
    board: Board, folder: Path, until: Until, screen_text: Any
) -> None:
    board.hold_at = 20
    (folder / "tern.bin").write_bytes(FIRMWARE * 10 + b"tail")
    async with board.app.run_test(size=(120, 36)) as pilot:
        # raw data without its address: told in the form
        await board.choose(pilot, until, 1)
        assert "give the address, for instance 0x0800_0000" in told(board.app)
        await pilot.press("escape")
        # the plan, with what is erased beside the image
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        assert "the tick \u201ckeep what else is on the pages\u201d keeps it" in told(board.app)
        assert "reset the board into it, then r" in told(board.app)
        assert " --" not in told(board.app)
        # and the end of a run that was stopped
        await pilot.press("y")
        await until(pilot, lambda: board.links[-1].held)
        await pilot.press("x")
        board.links[-1].release()
        await until(pilot, lambda: board.over)
        shown = words(screen_text, board.app)
        assert "next: go on with r, when ready" in shown
        assert " --" not in shown


async def test_a_comparison_that_read_everything_has_nothing_to_go_on_with(
    board: Board, until: Until, screen_text: Any
) -> None:
    async with board.app.run_test(size=(120, 36)) as pilot:
        await board.choose(pilot, until, 3, **AT)
        await until(pilot, lambda: board.over)
        shown = words(screen_text, board.app)
        assert "✗ mismatch: compare" in shown
        assert "compare: everything was read; " in shown
        assert "in 12 places differ" in shown
        assert "r go on" not in shown
        sent = board.links[-1].sent
        await pilot.press("r")
        await pilot.pause()
        assert board.links[-1].sent == sent


async def test_an_update_to_what_is_there_asks_nothing_and_says_so(
    board: Board, folder: Path, until: Until, screen_text: Any
) -> None:
    board.target.memory.load(FLASH, bytes(FIRMWARE))
    async with board.app.run_test(size=(120, 36)) as pilot:
        await board.choose(pilot, until, 2, **AT)
        await until(pilot, lambda: board.over)
        shown = words(screen_text, board.app)
        assert "✓ done: update" in shown
        assert "update: nothing had to be changed; proven by reading back: 08000000-08000BB7" in shown
        assert "the chip holds this already" in shown
        assert not [name for name in os.listdir(folder) if "before" in name]
        # a version that is not in the file is told in the form, before the chip is woken
        sent = board.links[-1].sent
        await pilot.press("escape")
        await board.choose(pilot, until, 2, **AT, version_pattern="tern [0-9]+")
        assert "nothing in this image looks like that version" in told(board.app)
        assert board.links[-1].sent == sent
        await pilot.press("escape")
        # on the chip it is a warning with the question
        (folder / "tern.bin").write_bytes(FIRMWARE[:-8] + b"tern 1.5")
        await board.choose(pilot, until, 2, **AT, version_pattern="tern [0-9.]+")
        await until(pilot, board.asks)
        assert "! look: no version was found on the chip" in told(board.app)
        await pilot.press("escape")
        await until(pilot, lambda: board.over)


async def test_leaving_during_a_write_asks_and_the_record_says_what_is_proven(
    board: Board, folder: Path, until: Until, screen_text: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    board.hold_at = 20
    (folder / "tern.bin").write_bytes(FIRMWARE * 10)
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        await pilot.press("y")
        await until(pilot, lambda: board.links[-1].held)
        await pilot.press("q")
        await until(pilot, lambda: isinstance(board.app.screen, AskScreen))
        assert "the chip is being worked on" in words(screen_text, board.app)
        stop, link = board.source.stop, board.links[-1]

        def stop_and_go_on() -> None:
            stop()
            link.hold_at = 0
            link.release()

        monkeypatch.setattr(board.source, "stop", stop_and_go_on)
        await pilot.press("enter")
    # the words of the command's own report, for the terminal once the screens have gone
    said = "\n".join(board.app.last_words)
    for part in ("program: not complete", "proven by reading back: nothing", "written, not proven: 08000100-",
                 "next: go on with --resume, when ready", "on the screens: p, program, and the tick"):  # fmt: skip
        assert part in said, part
    state = board.source.bridge.fold.snapshot().programming
    assert state is not None
    assert (state.ended, state.complete) == (True, False)
    assert not board.source.busy


async def test_two_tasks_on_one_port_cannot_happen(board: Board, until: Until) -> None:
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        sent = board.links[-1].sent
        bench = next(one for one in board.app.screen_stack if isinstance(one, BenchScreen))
        bench.action_handshake()
        bench.action_program()
        await pilot.pause()
        assert board.asks()
        assert board.links[-1].sent == sent
        await pilot.press("escape")
        await until(pilot, lambda: board.over)


async def test_a_worn_cell_is_named_with_address_and_bit(until: Until) -> None:
    # its lowest bit always reads as 0: the half word is not blank and is left as it is (RM0008 s.3.3.3 on PGERR, from
    # memory)
    flaw = StuckBit(FLASH + 0x404, 1, 0)
    board = Board(flaws=Flaws(stuck_bits=(flaw,)))
    async with board.app.run_test(size=(120, 36)) as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, board.asks)
        await pilot.press("y")
        await until(pilot, lambda: board.over)
        shown = told(board.app)
        for part in (
            "✗ mismatch",
            "0x08000404, bits 0, 1, 4: expected EE, got FD",
            "stuck-bit",
            "next: do not use this board",
        ):
            assert part in shown


async def test_a_shared_product_id_asks_which_chip_it_is(until: Until, screen_text: Any) -> None:
    # AN2606 Rev 70: 0x440 is said by more than one family
    board = Board(replace(SMALL, product_id=0x440, loader_version=0x31, commands=COMMANDS_EXTENDED))
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT)
        await until(pilot, lambda: isinstance(board.app.screen, ChooseScreen))
        assert "which chip says 0x440" in words(screen_text, board.app)
        await pilot.press("escape")
        await until(pilot, lambda: board.over)
        assert "0x440" in words(screen_text, board.app)
        assert board.screen.snapshot.outcome is Outcome.USAGE
        await pilot.press("r")
        await until(pilot, lambda: isinstance(board.app.screen, ChooseScreen))
        await pilot.press("1", "enter")
        await until(pilot, lambda: board.asks() or board.over)
        assert "chip: F0" in words(screen_text, board.app)


async def test_update_saves_and_restore_brings_it_back_read_and_compare_agree(
    board: Board, folder: Path, until: Until, screen_text: Any
) -> None:
    board.target.memory.load(FLASH, b"old program")
    async with board.app.run_test() as pilot:

        async def done(number: int, agree: bool, **lines: str) -> None:
            await board.choose(pilot, until, number, **lines)
            if agree:
                await until(pilot, board.asks)
                await pilot.press("y")
            await until(pilot, lambda: board.over)
            assert board.screen.snapshot.outcome is Outcome.OK
            await pilot.press("escape")

        await done(2, True, **AT, image="tern.bin")
        assert board.holds(bytes(FIRMWARE))
        (saved,) = folder.glob("*-before.bin")  # noqa: ASYNC240  # a folder of a few files
        await done(3, False, **AT, image="tern.bin")
        await done(4, False, output="out.bin", address="0x08000000", length="3000")
        assert (folder / "out.bin").read_bytes() == FIRMWARE
        await done(6, True, backup=saved.name)
    assert board.holds(b"old program")


async def test_a_wrong_file_or_number_is_told_in_the_form(board: Board, until: Until, screen_text: Any) -> None:
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, image="missing.hex")
        assert "missing.hex" not in screen_text(board.app).replace("missing.hex", "", 1)
        assert "✗" in screen_text(board.app)
        await pilot.press("escape")
        await board.choose(pilot, until, 1, address="08000000")
        assert "hex begins with 0x" in told(board.app)
        await pilot.press("escape")
        await board.choose(pilot, until, 5)
        assert "what shall be erased" in told(board.app)
        assert not board.links[-1].sent


@pytest.mark.parametrize("number", range(1, 7))
async def test_every_line_to_type_into_is_one_line(board: Board, until: Until, number: int) -> None:
    async with board.app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: isinstance(board.app.screen, BenchScreen) and board.app.screen.snapshot.port)
        await pilot.press("p", str(number), "enter")
        await until(pilot, lambda: isinstance(board.app.screen, JobScreen))
        await pilot.pause()
        assert {box.size.height for box in board.app.screen.query(Input)} == {1}


async def test_a_measured_supply_is_told_to_a_chip_that_can_hear_it(until: Until) -> None:
    board = Board(F40X)  # AN2606 Rev 70 Table 4: 2.7 to 3.6 V is 03
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT, supply_volts="3.3")
        await until(pilot, board.asks)
        assert "2.7 to 3.6 V (3.3 V measured)" in told(board.app)
        assert "only if you measured it" in told(board.app)
        assert board.target.voltage_range == 0
        await pilot.press("y")  # two cautions are longer than their room: they are shown to their end first
        await pilot.pause()
        await pilot.press("y")
        await until(pilot, lambda: board.over)
    assert board.target.voltage_range == 3
    assert board.holds(FIRMWARE)


async def test_a_supply_that_the_chip_cannot_be_told_ends_it_before_anything_changes(
    board: Board, until: Until, screen_text: Any
) -> None:
    async with board.app.run_test() as pilot:
        await board.choose(pilot, until, 1, **AT, supply_volts="3,3")
        assert "is not a voltage" in told(board.app)
        await pilot.press("escape")
        await board.choose(pilot, until, 1, **AT, supply_volts="3.3")
        await until(pilot, lambda: board.over)
        assert "no place to state the supply voltage" in words(screen_text, board.app)
    assert board.holds(b"\xff" * 256)


async def test_over_a_real_port_to_a_bench_in_its_own_process(until: Until, folder: Path) -> None:
    from console.bench.client import SimulatedBench
    from console.cli import build_parser
    from console.commands.on_chip import run

    async with SimulatedBench() as bench:
        await bench.start(paced=False)
        board = Board()
        board.source = LiveSource(LinkSettings(port=bench.port), listen_s=0)
        board.app.source = board.source
        async with board.app.run_test() as pilot:
            await board.choose(pilot, until, 1, **AT)
            await until(pilot, board.asks)
            await pilot.press("y")
            await until(pilot, lambda: board.over)
            assert board.screen.snapshot.outcome is Outcome.OK
        words = ["compare", bench.port, str(folder / "tern.bin"), "--address", "0x08000000", "--listen", "0", "--json"]
        assert await asyncio.to_thread(run, build_parser().parse_args(words)) == 0
