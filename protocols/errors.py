"""What can go wrong in a conversation, split into our mistakes and the other side's behaviour.

    ProtocolError
    ├── OurMistake            the caller asked for what the protocol forbids; nothing was sent
    └── TheirBehaviour        the wire did not bring what the document says
        ├── NoReply           fewer bytes than wanted before the deadline
        ├── Refused           the documented refusal came (NACK)
        └── UnexpectedReply   bytes came that the document does not allow here

Every error carries a `hint` key that diagnosis can read without parsing words.
"""

from __future__ import annotations


class ProtocolError(Exception):
    """Base of all conversation errors; `hint` is a stable key for diagnosis."""

    hint = "protocol"


class OurMistake(ProtocolError):
    """The request itself breaks the protocol's rules (alignment, range, size)."""

    hint = "our-mistake"


class TheirBehaviour(ProtocolError):
    """The other side, or the wire between, did not do what the document says."""

    hint = "their-behaviour"


class NoReply(TheirBehaviour):
    """The deadline passed; `got` holds the bytes that did arrive (fewer than wanted)."""

    hint = "no-reply"

    def __init__(self, wanted: str, got: bytes = b"") -> None:
        self.wanted = wanted
        self.got = got
        tail = f" (only {len(got)} came)" if got else ""
        super().__init__(f"no answer while waiting for {wanted}{tail}")


class Refused(TheirBehaviour):
    """The target answered with its documented refusal."""

    hint = "nack"

    def __init__(self, command: str, step: str) -> None:
        self.command = command
        self.step = step
        super().__init__(f"the target refused {command} at {step}")


class UnexpectedReply(TheirBehaviour):
    """Bytes arrived that the document does not allow at this place."""

    hint = "unexpected"

    def __init__(self, wanted: str, got: bytes) -> None:
        self.wanted = wanted
        self.got = got
        super().__init__(f"expected {wanted}, got {got[:16].hex(' ').upper()}{' …' if len(got) > 16 else ''}")
