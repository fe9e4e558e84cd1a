"""The Tern's own program at the serial port: what it prints unasked, and how it answers queries.

The query protocol, at 115200 8N1: one line of ASCII in, ended by CR, LF or both; one line out, ended by CR LF. Queries
are `who?`, `id fpga?`, `id memory?`, `id clock?` and `temperature?`; the answer repeats the name and gives the bytes in
hex, or `no answer` where the part did not acknowledge. Anything else is answered `tern: what?`.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator
from typing import Final

from console.bench.joints import Joints
from console.bench.logger import Logger
from console.bench.setup import FLOOD_BYTES, Chatter
from protocols.uart import EIGHT_N_ONE, Frame

FRAME: Final[Frame] = EIGHT_N_ONE
# no "y" in it: 79 would look like an acknowledge
TEXT_LINES: Final = (b"tern: level 1.482 m\r\n", b"tern: cell 3.71 V\r\n", b"tern: no uplink, kept in log\r\n")
TEXT_EVERY_S: Final = 0.2
ANSWER_S: Final = 0.002
"""How long the program takes to ask its parts: common practice, no source."""
_MOST_LINE: Final = 80
_HOSTILE: Final = (
    b"\x1b[2J\x1b]0;owned\x07\x1b[31m\x9b5n\x9d52;c;\x9c[red]tern[/red] [/AA] [@click=app.quit]x[/]\r\n"
    b"\xe2\x80\xae\x1bP+q\x1b\\\x00\xff\x7f\x08\x08\x1b[?1049h{{7*7}}<script>tern</script>\n"
)


def chatter(kind: Chatter, chance: random.Random) -> bytes:
    """Bytes beside the protocol."""
    if kind is Chatter.HOSTILE:
        return _HOSTILE
    count = {Chatter.NONE: 0, Chatter.NOISE: 12, Chatter.FLOOD: FLOOD_BYTES}[kind]
    # an acknowledge by chance would be another symptom
    return chance.randbytes(count).replace(b"\x79", b"\x78").replace(b"\x1f", b"\x1e")


class Queries:
    """The program that answers."""

    def __init__(self, joints: Joints) -> None:
        self._logger = Logger(joints)
        self._line = bytearray()

    def hear(self, characters: Iterable[tuple[float, int]]) -> Iterator[tuple[float, bytes]]:
        """Characters by the end of each, in seconds; answers by the moment they are ready."""
        for at_s, byte in characters:
            if byte not in b"\r\n":
                self._line.append(byte)
                del self._line[_MOST_LINE:]
            elif self._line:
                words = bytes(self._line).decode("ascii", "replace")
                self._line.clear()
                yield at_s + ANSWER_S, self._logger.answer(words).encode("ascii") + b"\r\n"
