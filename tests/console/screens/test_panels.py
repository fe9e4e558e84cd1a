"""What the panels paint for a picture, and the timeline's scale."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.causes.rank import NextCheck, RankedCause
from console.causes.wires import WireEvidence
from console.errors import Outcome
from console.events import Event
from console.screens.causes_panel import CausesPanel
from console.screens.guide import step_for
from console.screens.stages_panel import StagesPanel, timeline
from console.screens.wires_panel import WiresPanel
from console.session.stage import StageResult
from console.snapshot import Fold, Problem, Snapshot

TIMES = st.floats(0, 1000)
STAGES = st.builds(
    StageResult,
    name=st.sampled_from(["listen", "sync", "identify"]),
    attempt=st.just(1),
    outcome=st.sampled_from([None, *Outcome]),
    started_s=TIMES,
    elapsed_s=TIMES,
    wire_s=TIMES,
    chip_s=TIMES,
    host_s=TIMES,
    bytes_out=st.integers(0, 10**9),
    bytes_in=st.integers(0, 10**9),
)


@pytest.fixture
def picture(story: list[Event]) -> Snapshot:
    fold = Fold()
    for event in story:
        fold.add(event)
    return fold.snapshot()


@given(st.lists(STAGES, min_size=1, max_size=5), st.integers(0, 120))
def test_a_bar_has_its_width_and_is_never_invisible(rows: list[StageResult], width: int) -> None:
    for stage in rows:
        bar = timeline(stage, rows, width)
        assert len(bar) == max(0, width)
        assert width == 0 or bar.strip()


def test_a_bar_is_to_scale() -> None:
    # arithmetic: two stages of 3 s and 1 s one after the other on 40 columns take 30 and 10
    first = StageResult("listen", 1, Outcome.OK, 0.0, 3.0, 0.0, 0.0, 0.0, 0, 0)
    second = StageResult("sync", 1, Outcome.OK, 3.0, 1.0, 0.5, 0.3, 0.2, 1, 1)
    assert timeline(first, [first, second], 40) == "·" * 30 + " " * 10
    assert timeline(second, [first, second], 40) == " " * 30 + "█" * 5 + "▓" * 3 + "▒" * 2


@pytest.mark.parametrize("width", [40, 50, 78, 118, 198])
@pytest.mark.parametrize("height", [2, 4, 30])
async def test_no_line_is_wider_than_its_panel(picture: Snapshot, width: int, height: int) -> None:
    causes = tuple(RankedCause(f"c{n}", f"cause {n} " * 12, 0.9 / (n + 1), ("because " * 9,)) for n in range(8))
    check = NextCheck("K05", "do this " * 10, 0.5, "careful " * 12, "why " * 30, "swap-done")
    long = replace(picture, causes=causes, next_check=check, outcome=None, problem=Problem("x", "y " * 90, "z " * 90))
    # the causes panel is 43 columns wide at its narrowest (110 columns side by side), the strip never under 78
    for panel in (CausesPanel("causes"), *([WiresPanel("wires")] if width >= 50 else [])):
        for roomy in (False, True):
            panel.set_reactive(type(panel).roomy, roomy)
            for one in (picture, long):
                assert max(line.cell_length for line in panel.paint(one, width, height)) <= width
    if width >= 78:
        assert max(line.cell_length for line in StagesPanel("stages").paint(picture, width, height)) <= width


async def test_each_wire_state_has_a_word_and_a_sign(picture: Snapshot) -> None:
    states = ("proven", "suspect", "unknown")
    wires = tuple(WireEvidence(f"w{n}", "TX", "RX", state, "why") for n, state in enumerate(states))  # type: ignore[arg-type]
    words = [line.plain for line in WiresPanel("wires").paint(replace(picture, wires=wires), 100, 6)]
    assert ["✓ proven" in words[0], "▲ suspect" in words[1], "· unknown" in words[2]] == [True] * 3


async def test_what_comes_from_outside_is_no_markup(picture: Snapshot) -> None:
    hostile = replace(
        picture,
        outcome=Outcome.PORT,
        next_check=None,
        problem=Problem("port-busy", "[/AA] [red]held[/red]", "[@click=app.quit]close[/]"),
        notes=("[/AA]",),
    )
    text = "\n".join(line.plain for line in CausesPanel("causes").paint(hostile, 100, 30))
    assert "[/AA] [red]held[/red]" in text
    assert "[@click=app.quit]close[/]" in text


def test_the_guide_follows_the_picture(picture: Snapshot) -> None:
    fold = Fold()
    assert step_for(fold.snapshot(), "story").kind == "wait"
    begin = replace(picture, attempt=0, outcome=None, identity=None, next_check=None)
    assert step_for(begin, "story").kind == "handshake"
    assert step_for(replace(begin, running_stage="sync"), "story").kind == "wait"
    check = NextCheck("K05", "swap", 0.5, "careful", "", "swap-done")
    silent = replace(
        begin, attempt=1, outcome=Outcome.NO_ANSWER, next_check=check, causes=(RankedCause("c", "t", 0.2, ()),)
    )
    step = step_for(silent, "story")
    assert (step.kind, step.action) == ("done", "swap-done")
    assert "careful" in step.say
    assert step_for(replace(silent, next_check=replace(check, action=None)), "story").kind == "check"
    assert step_for(replace(silent, next_check=None), "story").kind == "handshake"
    last = step_for(picture, "story")
    assert last.kind == "leave"
    assert "0x410" in last.say  # AN2606 Rev 70 Table 226
