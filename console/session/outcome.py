"""How an attempt ended, read from the error that ended it."""

from __future__ import annotations

import asyncio

from console.errors import Outcome, WakelineError
from protocols.errors import NoReply, OurMistake, Refused, UnexpectedReply


def outcome_of(error: BaseException) -> Outcome:
    """The outcome that belongs to an error; internal for one that nobody expected."""
    match error:
        case WakelineError():
            return error.outcome
        case asyncio.CancelledError() | KeyboardInterrupt():
            return Outcome.STOPPED
        case Refused():
            return Outcome.REFUSED
        case NoReply() | UnexpectedReply():
            return Outcome.NO_ANSWER
        case OurMistake():
            return Outcome.USAGE
        case _:
            return Outcome.INTERNAL
