"""A question to the board's own program, as a conversation: pure, knows no port and no clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from console.boards.plan import Query
from console.boards.template import FieldValue, Mismatch, value_words
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.errors import NoReply

_MOST_LINES: Final = 50
_MOST_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class Answer:
    """What came: the bytes without the line's end, the fields where they fit the template, and else why not."""

    reply: bytes
    fields: dict[str, FieldValue] | None
    misfit: str = ""

    def __str__(self) -> str:
        if self.fields is None:
            return self.misfit
        return ", ".join(f"{name} {value_words(value)}" for name, value in self.fields.items()) or "as expected"


def ask_board(query: Query) -> Conversation[Answer]:
    """Send the question, take the answer. Lines that cannot be the answer are passed over, and noted as stray.

    Raises NoReply when nothing that can be an answer comes in time.
    """
    yield Send(query.send, "question to the board's program")
    template = query.reply
    if template.size is not None:
        return _read(query, (yield Want(template.size, query.within_s, "the answer")))
    budget = _MOST_BYTES
    for _ in range(_MOST_LINES):
        line = bytearray()
        while not line.endswith(b"\n"):
            line += yield Want(1, query.within_s, "a line that answers")
            budget -= 1
            if not budget:
                raise NoReply("a line that answers, in more text than any answer has")
        text = bytes(line).rstrip(b"\r\n")
        if not text:
            continue
        answer = _read(query, text)
        if answer.fields is not None or text.startswith(template.head):
            return answer
        yield Stray(bytes(line), "a line that is no answer to this question")
    raise NoReply(f"a line that answers, in {_MOST_LINES} lines")


def _read(query: Query, reply: bytes) -> Answer:
    try:
        return Answer(reply, query.reply.parse(reply))
    except Mismatch as misfit:
        return Answer(reply, None, str(misfit))
