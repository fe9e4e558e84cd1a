"""What asks a command to end: once at a border, twice at once, and what was ignored before stays ignored."""

from __future__ import annotations

import asyncio
import signal
import sys

import pytest

from console.signals import heeded, interrupting

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="this system has none of these signals")
INT, TERM, HUP = signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)


async def pressed_by(*numbers: signal.Signals) -> int:
    """How often a stop was asked for."""
    count = 0

    def press() -> None:
        nonlocal count
        count += 1

    with heeded(press):
        for number in numbers:
            signal.raise_signal(number)
            turned = asyncio.get_running_loop().create_future()
            # the signal reaches the loop over a socket of its own: behind it comes what is written there now
            asyncio.get_running_loop().add_signal_handler(signal.SIGUSR1, turned.set_result, None)
            signal.raise_signal(signal.SIGUSR1)
            await turned
        asyncio.get_running_loop().remove_signal_handler(signal.SIGUSR1)
    return count


@pytest.mark.parametrize(
    ("numbers", "times"), [((INT,), 1), ((TERM,), 1), ((HUP,), 1), ((INT, TERM), 2), ((TERM, TERM), 2), ((HUP, INT), 2)]
)
async def test_each_of_them_asks_and_a_second_asks_again(numbers: tuple[signal.Signals, ...], times: int) -> None:
    assert await pressed_by(*numbers) == times


@pytest.mark.parametrize("numbers", [(HUP, HUP), (TERM, HUP), (INT, HUP, HUP)])
async def test_a_closed_window_is_no_second_request(numbers: tuple[signal.Signals, ...]) -> None:
    assert await pressed_by(*numbers) == 1


async def test_what_was_ignored_at_the_start_stays_ignored() -> None:
    before = signal.signal(HUP, signal.SIG_IGN)  # as `nohup` does
    try:
        assert await pressed_by(HUP) == 0
        with interrupting():
            signal.raise_signal(HUP)
    finally:
        signal.signal(HUP, before)


@pytest.mark.parametrize("number", [INT, TERM, HUP])
def test_a_question_can_be_left_with_any_of_them(number: signal.Signals) -> None:
    before = signal.getsignal(number)
    with pytest.raises(KeyboardInterrupt), interrupting():
        signal.raise_signal(number)
    assert signal.getsignal(number) is before
