"""The bench's hands with a meter: what they read before anybody looks is what the staged board shows."""

from __future__ import annotations

import pytest

from console.bench.client import SimulatedBench
from console.boards.board_file import load_board
from console.boards.limits import GOOD
from console.bringup import asking
from console.causes.rank import NextCheck
from console.commands.board_hands import BoardBenchHands
from console.snapshot import Fold

TERN = load_board("tern-b")


@pytest.mark.parametrize(
    ("fault", "probe", "good"),
    [
        ("open-pin:pin=U6.8", "volts +3V3 U6.8 U6.4", False),
        ("open-pin:pin=U6.4", "volts +3V3 U6.8 U6.4", False),
        ("open-pin:pin=U6.8", "volts +3V3", True),
        ("open-pin:pin=U6.2", "volts +3V3 U6.8 U6.4", True),
    ],
)
async def test_volts_at_a_lead_are_those_of_its_own_joint(fault: str, probe: str, good: bool) -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault=fault)
        hands = BoardBenchHands(bench, TERN, lambda words: None)
        limits = TERN.rails[0].limits
        for scale in (limits.scale("3.3 V"), None):
            check = NextCheck(probe, "measure", 1.0, None, "why", None, answers=((asking.YES, "is"),), scale=scale)
            reply = await hands.reply(check, Fold().snapshot())
            assert (reply.outcome in (GOOD, asking.YES)) is good
