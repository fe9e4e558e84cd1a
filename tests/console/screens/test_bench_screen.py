"""The bench screen over a fake port: state first, then the words on the screen."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from console.errors import Outcome, PortTrouble
from console.screens.app import WakelineApp
from console.screens.ask_screen import AskScreen, ChooseScreen, FoundScreen, WordsScreen
from console.screens.bench_screen import BenchScreen
from console.screens.help_screen import HelpScreen
from console.screens.ports_screen import PortsScreen
from console.screens.source import LiveSource

ESC, CSI = "\x1b", "\x9b"


def opened(rig: Any) -> WakelineApp:
    app = WakelineApp()
    app.source, app.tells_exit = rig.source, True
    return app


def bench(app: WakelineApp) -> BenchScreen:
    screen = app.screen
    assert isinstance(screen, BenchScreen)
    return screen


async def test_silence_then_swap_then_identified(rig: Any, size: tuple[int, int], until: Any, screen_text: Any) -> None:
    app = opened(rig)
    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.outcome is Outcome.NO_ANSWER)
        await pilot.pause()
        shown = bench(app).snapshot
        assert shown.causes[0].id == "wires-uncrossed"  # the first suspect of a silent line, as the catalogue has it
        words = screen_text(app)
        for word in ("no answer", "▲ suspect", "· unknown", "TX and RX are not crossed", "next: swap TX and RX", "%"):
            assert word in words
        await pilot.press("w")
        assert isinstance(app.screen, AskScreen)
        assert "caution" in screen_text(app)
        rig.answers()
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and bench(app).snapshot.outcome is Outcome.OK)
        await pilot.pause()
        shown = bench(app).snapshot
        assert (shown.attempt, shown.wires_swapped) == (2, True)
        assert [wire.id for wire in shown.wires if wire.state == "proven"] == ["host-tx", "host-rx", "ground"]
        words = screen_text(app)
        for word in ("awake and identified", "✓ proven", "product id 0x410", "swapped by you", "✓ done", "in  ◀"):
            assert word in words
        await pilot.press("q")
    assert app.return_value == 0
    assert rig.link.closed


async def test_check_done_records_what_the_check_asked_for(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("d")  # nothing is asked for yet
        assert isinstance(app.screen, BenchScreen)
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.next_check)
        await pilot.press("d", "n")  # not yet
        assert bench(app).snapshot.attempt == 1
        await pilot.press("d", "y")
        await until(pilot, lambda: bench(app).snapshot.attempt == 2 and not rig.source.busy)
        await until(pilot, lambda: bench(app).snapshot.outcome is not None)
        assert bench(app).snapshot.wires_swapped
        await pilot.press("q")
    assert app.return_value == 3  # the exit code for no answer


async def test_every_panel_is_reached_by_keys_and_can_have_the_whole_screen(rig: Any, size: tuple[int, int]) -> None:
    app = opened(rig)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        seen = []
        for _ in BenchScreen.PANELS:
            await pilot.press("tab")
            assert app.focused is not None
            seen.append(app.focused.id)
        assert sorted(str(name) for name in seen) == sorted(BenchScreen.PANELS)
        reached = []
        for _ in BenchScreen.PANELS:
            await pilot.press("n")
            assert app.focused is not None
            reached.append(app.focused.id)
            small = app.focused.size.height
            assert small >= 2
            await pilot.press("z")
            assert app.focused.size.height >= size[1] - 5
            assert app.focused.size.width >= size[0] - 4
            assert [name for name in BenchScreen.PANELS if bench(app).query_one(f"#{name}").display] == [app.focused.id]
            await pilot.press("escape")  # brings the four back and leaves nothing
            assert isinstance(app.screen, BenchScreen)
            assert app.focused.size.height == small
        assert sorted(str(name) for name in reached) == sorted(BenchScreen.PANELS)


async def test_zoomed_next_panel_stays_zoomed(rig: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await pilot.pause()
        await pilot.press("z")
        for _ in BenchScreen.PANELS:
            await pilot.press("n")
            assert [name for name in BenchScreen.PANELS if bench(app).query_one(f"#{name}").display] == [app.focused.id]  # type: ignore[union-attr]
        await pilot.press("z")
        assert all(bench(app).query_one(f"#{name}").display for name in BenchScreen.PANELS)


async def test_help_explains_each_panel(rig: Any, screen_text: Any) -> None:
    app = opened(rig)
    async with app.run_test(size=(120, 36)) as pilot:
        await pilot.pause()
        for name, words in (
            ("wires", "proven"),
            ("stages", "time axis"),
            ("trace", "Every byte"),
            ("causes", "likely"),
        ):
            bench(app).query_one(f"#{name}").focus()
            await pilot.press("f1")
            assert isinstance(app.screen, HelpScreen)
            assert words in screen_text(app)
            await pilot.press("escape")
            assert isinstance(app.screen, BenchScreen)


@pytest.mark.parametrize("hostile", ["/dev/[/AA]", "/dev/[red]x", f"/dev/{ESC}[2J", f"/dev/{CSI}5n", "/dev/\u202egnp"])
async def test_hostile_names_and_bytes_reach_no_markup_and_no_terminal(
    make_rig: Callable[..., Any], hostile: str, until: Any, screen_text: Any
) -> None:
    rig = make_rig(hostile)
    rig.table[b"\x7f"] = b"[/AA][bold]\x1b[2J\x9b5n\x00\x7f[@click=app.quit]x[/]"
    app = opened(rig)
    async with app.run_test(size=(200, 50)) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.outcome is not None and not rig.source.busy)
        await pilot.pause()
        picture = app.export_screenshot()
        assert not re.search("[\x1b\x9b\x00\x07\u202e]", picture)
        words = screen_text(app)
        assert "[/AA][bo" in words  # shown as it came, eight bytes a row
        assert "app." in words
        if "[" in hostile and hostile.isprintable():
            assert hostile in words
        for key in ("t", "s", "c"):
            await pilot.press(key)
        await until(pilot, lambda: len(list(Path.cwd().glob("*.txt"))) == 3)
        for path in Path.cwd().glob("*.txt"):
            assert not re.search("[\x1b\x9b\x00\x07\x7f\u202e]", path.read_text(encoding="utf-8"))


async def test_a_port_that_cannot_be_opened_says_what_where_and_next(rig: Any, until: Any, screen_text: Any) -> None:
    rig.refuse = PortTrouble("port-busy", "[/AA] another program holds the port", where="/dev/fake0", help="close it")
    app = opened(rig)
    async with app.run_test(size=(120, 36)) as pilot:
        await until(pilot, lambda: bench(app).snapshot.problem)
        await until(pilot, lambda: "port-busy" in screen_text(app))
        await pilot.pause()
        words = screen_text(app)
        for word in ("[/AA] another program", "close it", "/dev/fake0", "port trouble"):
            assert word in words
        rig.refuse = None  # the other program has left
        rig.answers()
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.outcome is Outcome.OK)


async def test_a_lost_port_is_told_and_opened_again_by_the_next_handshake(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        rig.link.lose()
        await until(pilot, lambda: bench(app).snapshot.problem)
        assert bench(app).snapshot.outcome is Outcome.PORT
        rig.answers()
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.outcome is Outcome.OK)
        assert len(rig.links) == 2
        assert rig.links[0].closed


async def test_stop_ends_the_attempt_and_keeps_the_port(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("l")
        await until(pilot, lambda: bench(app).snapshot.running_stage == "listen")
        await pilot.press("h")  # one at a time
        assert not rig.link.written
        await pilot.press("x")
        await until(pilot, lambda: bench(app).snapshot.outcome is Outcome.STOPPED)
        assert not rig.link.closed


async def test_leaving_asks_only_while_something_runs(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("l")
        await until(pilot, lambda: rig.source.busy)
        await pilot.press("q")
        assert isinstance(app.screen, AskScreen)
        await pilot.press("escape")
        assert isinstance(app.screen, BenchScreen)
        await pilot.press("escape")
        assert isinstance(app.screen, AskScreen)
        await pilot.press("n", "x")
        await until(pilot, lambda: not rig.source.busy)
        await pilot.press("escape")
        assert isinstance(app.screen, AskScreen)  # what was tried is not recorded and would be lost
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, PortsScreen))
        await until(pilot, lambda: rig.link.closed)
        await pilot.press("escape")  # the list of ports is where it ends
        assert isinstance(app.screen, PortsScreen)
        await pilot.press("q")
    assert app.return_value == 0


async def test_a_record_that_began_late_still_replays(rig: Any, until: Any) -> None:
    from console.record.pcapng import CaptureFile
    from console.snapshot import Fold

    rig.answers()
    app = opened(rig)
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("r")
        assert rig.source.recording
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.outcome is Outcome.OK)
        await pilot.press("r")
        assert not rig.source.recording
    (path,) = Path.cwd().glob("*.pcapng")
    fold, capture = Fold(), CaptureFile(path)
    for event in capture.events():
        fold.add(event)
    assert not capture.warnings
    assert fold.snapshot().outcome is Outcome.OK
    assert fold.snapshot().port == "/dev/fake0"


async def test_reset_by_hand_asks_and_repeats(rig: Any, until: Any) -> None:
    app = opened(rig)
    rig.answers()
    async with app.run_test() as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("b")
        await until(pilot, lambda: isinstance(app.screen, AskScreen))
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and bench(app).snapshot.outcome is Outcome.OK)
        words = [row.text for row in bench(app).source.bridge.fold.trace.rows()]
        assert "operator: board reset" in words


async def test_no_colour_still_tells_states_by_word_and_sign(
    monkeypatch: pytest.MonkeyPatch, rig: Any, until: Any, screen_text: Any
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    app = opened(rig)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.outcome is Outcome.NO_ANSWER)
        await pilot.pause()
        for word in ("▲ suspect", "· unknown", "✗ no answer"):
            assert word in screen_text(app)
        colours = set(re.findall(r"#([0-9a-f]{6})\b", app.export_screenshot().split("</style>")[0]))
        inks = {colour for colour in re.findall(r"fill: #([0-9a-f]{6})", app.export_screenshot()) if colour in colours}
        assert inks
        assert all(colour[0:2] == colour[2:4] == colour[4:6] for colour in inks if colour != "c5c8c6")


async def test_nothing_moves_by_itself(rig: Any) -> None:
    app = opened(rig)
    async with app.run_test() as pilot:
        await pilot.pause()
        assert app.animation_level == "none"
        assert isinstance(app.source, LiveSource)


async def test_the_palette_offers_what_can_be_done_here(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test(size=(120, 36)) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        rig.answers()
        await pilot.press("f2", *"handshake")
        await pilot.pause()
        await until(pilot, lambda: app.screen.query_one("CommandList").option_count)  # type: ignore[attr-defined]
        await pilot.press("enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and bench(app).snapshot.outcome is Outcome.OK)


async def test_following_the_tool_on_a_silent_board_never_asks_the_same_twice(rig: Any, until: Any) -> None:
    app = opened(rig)
    asked: list[str] = []
    async with app.run_test(size=(120, 36)) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.next_check is not None)
        for _ in range(6):
            check = bench(app).snapshot.next_check
            assert check is not None
            asked.append(check.title)
            await pilot.press("d")
            reading = isinstance(app.screen, FoundScreen)
            assert reading is not check.change
            if reading and check.scale is not None:
                await pilot.press("tab")  # from the value to the outcomes
            await pilot.press(*(("1", "enter") if reading else ("enter",)))
            await until(
                pilot,
                lambda before=check: (
                    isinstance(app.screen, BenchScreen)
                    and not rig.source.busy
                    and bench(app).snapshot.next_check not in (None, before)
                ),
            )
        await pilot.press("q")
    assert len(set(asked)) == len(asked)
    assert asked[0].startswith("swap TX and RX")
    assert asked[1].startswith("put TX and RX back")


async def test_a_reading_is_typed_with_its_unit_and_an_impossible_one_is_refused(
    rig: Any, until: Any, size: tuple[int, int], screen_text: Any
) -> None:
    app = opened(rig)
    async with app.run_test(size=size) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("h")
        await until(pilot, lambda: bench(app).snapshot.next_check is not None)
        while bench(app).snapshot.next_check.scale is None:
            before = bench(app).snapshot.next_check
            await pilot.press("k")
            await until(pilot, lambda before=before: bench(app).snapshot.next_check not in (None, before))
        asked = bench(app).snapshot.next_check
        await pilot.press("d", *"9999")
        await pilot.press("enter")
        await until(pilot, lambda: "9999 V is outside" in screen_text(app))
        assert isinstance(app.screen, FoundScreen)
        await pilot.press(*["backspace"] * 4, *"0.5", "enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and bench(app).snapshot.undoable)
        assert bench(app).snapshot.undoable.startswith(f"check {asked.id}")
        await pilot.press("u")
        await until(pilot, lambda: bench(app).snapshot.undoable.startswith("skip"))
        assert bench(app).snapshot.next_check == asked
        await pilot.press("q")


async def test_a_note_and_a_thing_at_hand_are_recorded(rig: Any, until: Any) -> None:
    app = opened(rig)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        await pilot.press("u")  # nothing to take back: only said
        await pilot.press("m")
        assert isinstance(app.screen, WordsScreen)
        await pilot.press(*"wet", "enter")
        await pilot.press("a")
        assert isinstance(app.screen, ChooseScreen)
        await pilot.press("1", "enter")
        await until(pilot, lambda: isinstance(app.screen, BenchScreen) and bench(app).snapshot.undoable)
        trace = rig.source.bridge.fold.trace
        rows = [row.text for row in trace.rows(0, len(trace))]
        assert "operator notes: wet" in rows
        assert any(row.startswith("operator: has ") for row in rows)
        await pilot.press("q")


async def test_a_value_and_a_chosen_outcome_must_agree(rig: Any, until: Any, screen_text: Any) -> None:
    app = opened(rig)
    async with app.run_test(size=(80, 24)) as pilot:
        await until(pilot, lambda: bench(app).snapshot.port)
        from console.causes.catalogue import catalogue
        from console.causes.rank import NextCheck

        step = catalogue().checks["K08"]
        answers = tuple((outcome, "") for outcome in step.outcomes)
        check = NextCheck("K08", step.title, 1, step.caution, "", None, answers=answers, scale=step.scale)
        told: list[Any] = []
        app.push_screen(FoundScreen(check), told.append)
        await pilot.pause()
        await pilot.press(*"3.3", "tab", "2", "enter")  # 3.3 V is in range: chosen is out of range
        await until(pilot, lambda: "3.3 means in-range" in screen_text(app))
        await pilot.press("1", "enter")
        await until(pilot, lambda: told)
        assert (told[0].outcome, told[0].value) == ("in-range", pytest.approx(3.3))
        await pilot.press("q")
