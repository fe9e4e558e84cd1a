"""`wakeline try PORT TEST`: what the console can find out by itself, as evidence for the diagnosis."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Callable, Coroutine
from typing import Any

from console.commands.attempt import LiveText, is_simulated, keeper_from, opened, settings_from, simulated_reset
from console.commands.handshake import tell
from console.errors import UsageTrouble
from console.link import threads
from console.session import line_tests
from console.session.session import Session
from console.snapshot import Fold


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    settings = settings_from(options)
    wired = settings.wake.reset is not None or settings.wake.strap is not None
    if options.test == line_tests.SETTINGS and not wired and not _can_ask(options) and not is_simulated(options.port):
        raise _reset_needed()
    keeper = keeper_from(options)
    fold = Fold(keeper.priors)
    return tell(options, keeper, fold, _test(options, fold))


def _reset_needed() -> UsageTrouble:
    return UsageTrouble(
        "reset-needed",
        "the board must be reset before each try, and nobody can be asked here",
        help="run this on a terminal without --json, or name the wired line with --reset-line",
    )


def _can_ask(options: Namespace) -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty() and not options.json


async def _test(options: Namespace, fold: Fold) -> None:
    if not options.json:
        print(f"{options.test}: {line_tests.BEFORE[options.test]}\n", flush=True)
    async with opened(
        settings_from(options),
        options.family,
        fold=fold,
        record=options.record,
        overwrite=options.overwrite,
        live=None if options.json else LiveText(fold, sys.stdout),
    ) as session:
        if _can_ask(options) and options.test not in line_tests.NO_HANDS and not await _agreed("Enter: it is done"):
            session.stopped()
            return
        await _run(options, session)


def _run(options: Namespace, session: Session) -> Coroutine[Any, Any, object]:
    match options.test:
        case line_tests.RATES:
            return line_tests.listen_at_rates(session, options.rates or line_tests.USUAL_RATES, seconds=options.seconds)
        case line_tests.SETTINGS:
            tries = tuple((rate, session.link.settings.frame) for rate in options.rates or ())
            return line_tests.try_settings(session, lambda words: _reset(options, session, words), tries)
        case _:
            return line_tests.send_pattern(session, options.test, count=options.count)


async def _reset(options: Namespace, session: Session, words: str, ask: Callable[[str], str] = input) -> bool:
    """The simulated board's reset is pressed there; else a person is asked while bytes go on."""
    if await simulated_reset(session.link.settings):
        return True
    if not _can_ask(options):
        raise _reset_needed()
    return await _agreed(f"{words}. Enter: it is reset", ask)


async def _agreed(question: str, ask: Callable[[str], str] = input) -> bool:
    """Whether the person goes on; the end of the input and an s decline."""
    try:
        # in a daemon thread: Ctrl-C must not wait for the Enter of a person who has left
        answer = await threads.start(lambda: ask(f"{question}, s: stop > "), "ask a person")
    except EOFError:
        return False
    return answer.strip().lower() != "s"
