"""How a stage ends that an error ended: errors of ours, of the protocol and of the loop, as outcomes. Pure."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TypeAlias, TypeVar

from console.errors import Outcome, WakelineError
from protocols.errors import NoReply, OurMistake, ProtocolError, Refused, UnexpectedReply

T = TypeVar("T")
Judge: TypeAlias = Callable[[T], tuple[Outcome, str]]
"""Tells from a conversation's result how its stage ended, and in which words."""


def outcome_of(error: BaseException) -> Outcome:
    """How a stage ends that this error ended."""
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


def failure_fields(error: BaseException) -> dict[str, str]:
    """What the mark of the stage's end says beside the outcome: a hint for diagnosis, and the error in words."""
    hint = error.hint if isinstance(error, ProtocolError) else getattr(error, "code", "")
    if isinstance(error, ProtocolError | WakelineError):
        return {"hint": hint, "message": str(error)}
    return {"hint": hint, "message": "stopped" if outcome_of(error) is Outcome.STOPPED else type(error).__name__}
