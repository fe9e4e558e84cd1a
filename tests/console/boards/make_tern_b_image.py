"""Writes the firmware image of the packaged example board: it does nothing but loop, for demos and tests.

`python -m tests.console.boards.make_tern_b_image` writes the packaged file anew; a test compares it byte for byte.
Vector table: Armv7-M Architecture Reference Manual (DDI 0403) B1.5.3; the loop is `b .`, encoding T2 (A7.7.12).
"""

from __future__ import annotations

import struct
from pathlib import Path

from tests.firmware import intel_hex

PACKAGED = Path(__file__).resolve().parents[3] / "console/boards/examples/tern_b/tern-b.hex"
FLASH, RAM_END = 0x0800_0000, 0x2000_5000
VECTORS = 76
LOOP = 0x140
SIZE = 3072
LABEL = b"Tern river-level logger, revision B, program 1: an example that only loops"


def content() -> bytes:
    """Vector table, the loop, a label, and a pattern that no two blocks share."""
    table = struct.pack(f"<{VECTORS}I", RAM_END, *([FLASH + LOOP + 1] * (VECTORS - 1)))
    loop = struct.pack("<H", 0xE7FE)
    head = (table.ljust(LOOP, b"\xff") + loop + LABEL).ljust(512, b"\xff")
    return head + b"".join(struct.pack("<I", at * 0x9E37_79B1 & 0xFFFF_FFFF) for at in range(512, SIZE, 4))


def render() -> str:
    """The whole file."""
    return intel_hex([(FLASH, content())])


if __name__ == "__main__":
    PACKAGED.write_text(render(), encoding="ascii")
