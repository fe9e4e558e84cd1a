"""A question to the board's own program, as a conversation: pure, knows no port and no clock."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Final

from console.boards.plan import Query
from console.boards.template import FieldValue, Mismatch, value_words
from console.text import quoted
from console.words import count_of
from protocols.conversation import Conversation, Send, Stray, Want
from protocols.errors import NoReply

_MOST_LINES: Final = 50
_MOST_BYTES: Final = 4096
_FIRST: Final = 3  # lines shown of what came in place of an answer, and bytes of each
_SHOWN: Final = 60
_PLAIN: Final = frozenset((*b"\t\r\n", *range(0x20, 0x7F)))
# common practice, no source: bytes, and the share of them, from which on what came reads as text
_FEW: Final = 8
_SHARE: Final = 0.9


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
    """Send the question, take the answer. Lines that cannot be the answer are passed over, and noted as stray
    together; a line without its end is none: the rest of it may be missing.

    Raises NoReply when nothing that can be an answer comes in time.
    """
    yield Send(query.send, "question to the board's program")
    template = query.reply
    if template.size is not None:
        return _read(query, (yield Want(template.size, query.within_s, "the answer")))
    passed_over, lines = bytearray(), 0
    while lines < _MOST_LINES and len(passed_over) < _MOST_BYTES:
        line, ended = bytearray(), True
        while ended and not line.endswith(b"\n") and len(passed_over) + len(line) < _MOST_BYTES:
            got = yield Want(1, query.within_s, "a line that answers", optional=True)
            line += got
            ended = bool(got)
        text = bytes(line).rstrip(b"\r\n")
        if not text and ended:
            continue
        answer = _read(query, text)
        if line.endswith(b"\n") and (answer.fields is not None or text.startswith(template.head)):
            if passed_over:
                yield _strays(passed_over, lines)
            return answer
        passed_over += line
        lines += bool(text)
        if not ended:  # it came to rest
            break
    if passed_over:
        yield _strays(passed_over, lines)
    unfinished = ", the last without its end" if passed_over and not passed_over.endswith(b"\n") else ""
    raise NoReply(f"a line that answers, in {count_of(lines, 'line')}{unfinished}" if lines else "a line that answers")


def _strays(passed_over: bytearray, lines: int) -> Stray:
    return Stray(bytes(passed_over), f"{count_of(lines, 'line')} that answer something else")


def heard_words(heard: bytes) -> str:
    """What came in place of an answer: the first different lines, escaped, each with how often it came; "" for none."""
    lines = Counter(line.strip(b"\r") for line in heard.split(b"\n"))
    del lines[b""]
    shown = [quoted(line[:_SHOWN]) + _often(count) for line, count in lines.items()]
    more = f" and {count_of(len(shown) - _FIRST, 'other line')}" if len(shown) > _FIRST else ""
    return f"heard {', '.join(shown[:_FIRST])}{more}" if shown else ""


def _often(count: int) -> str:
    return f" ({count_of(count, 'time')})" if count > 1 else ""


def is_text(heard: bytes) -> bool:
    """Whether this reads as text, which no loose wire and no wrong rate makes: a chip that runs has said it."""
    plain = sum(byte in _PLAIN for byte in heard)
    return len(heard) >= _FEW and plain >= _SHARE * len(heard)


def _read(query: Query, reply: bytes) -> Answer:
    try:
        return Answer(reply, query.reply.parse(reply))
    except Mismatch as misfit:
        return Answer(reply, None, str(misfit))
