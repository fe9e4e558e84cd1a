"""The order in which the control lines are driven: AN2606, the strap is sampled when reset ends."""

from __future__ import annotations

import asyncio

import pytest

from console.link.base import LineUse, WakeLines
from console.link.wake import run_wake


class Lines:
    """A link that remembers what was driven."""

    def __init__(self, has_lines: bool = True) -> None:
        self.driven: list[tuple[str, bool]] = []
        self.has_lines = has_lines
        self.in_reset = asyncio.Event()

    async def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> bool:
        self.driven += [(name, value) for name, value in (("dtr", dtr), ("rts", rts)) if value is not None]
        if dtr:
            self.in_reset.set()
        return self.has_lines


STRAP, RESET = LineUse("rts", active_when=False), LineUse("dtr", active_when=True)


@pytest.mark.parametrize(
    ("wake", "driven"),
    [
        (WakeLines(RESET, STRAP, 0, 0), [("rts", False), ("dtr", True), ("dtr", False)]),
        (WakeLines(RESET, None, 0, 0), [("dtr", True), ("dtr", False)]),
        (WakeLines(None, STRAP, 0, 0), [("rts", False)]),
    ],
)
async def test_strap_before_reset(wake, driven):
    link = Lines()
    assert await run_wake(link, wake) is True
    assert link.driven == driven


async def test_nothing_wired_does_nothing():
    link = Lines()
    assert await run_wake(link, WakeLines()) is False
    assert link.driven == []


async def test_a_port_without_lines_says_so():
    assert await run_wake(Lines(has_lines=False), WakeLines(RESET, STRAP, 0, 0)) is False


async def test_a_cancelled_wake_does_not_leave_the_board_in_reset(turn):
    link = Lines()
    waking = asyncio.create_task(run_wake(link, WakeLines(RESET, STRAP, hold_s=1000, settle_s=0)))
    await link.in_reset.wait()
    await turn()
    waking.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waking
    assert link.driven[-1] == ("dtr", False)


async def test_on_a_real_pty_there_is_nothing_to_drive(pty_peer, link_to, recorder):
    link = link_to(pty_peer.port)
    await link.open(recorder())
    assert await run_wake(link, WakeLines(RESET, STRAP, 0, 0)) is False
