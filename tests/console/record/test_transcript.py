"""The readable record: what it must hold, its width, and that nothing hostile gets through."""

from __future__ import annotations

import io
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from console.record.transcript import WIDTH, TranscriptRow, write_transcript

T0 = 1_700_000_000_000_000_000
EVIL = "\x1b[2J\x9b31m[/red]\u202eabc"
REPORT: dict[str, Any] = {
    "outcome": "no-answer",
    "port": "/dev/ttyUSB0",
    "settings": {"port": "/dev/ttyUSB0", "baud": 115200, "frame": "8E1"},
    "target": None,
    "stages": [
        {"name": "sync", "outcome": "failed", "started_s": 0.1, "elapsed_s": 2.5, "wire_s": 0.0001, "bytes_out": 3}
    ],
    "observations": [{"id": "silence", "text": "no byte came in", "count": 3}],
    "causes": [{"id": "wires-uncrossed", "title": "TX and RX not crossed", "probability": 0.62, "why": ["silence"]}],
    "next_check": {"id": "swap", "title": "swap the two wires", "minutes": 1, "caution": "power off first"},
    "error": {"code": "no-answer", "message": "no acknowledge", "help": "swap the two wires"},
}


def written(report: dict[str, Any], rows: list[TranscriptRow]) -> str:
    stream = io.StringIO()
    write_transcript(stream, report, rows, T0)
    return stream.getvalue()


def test_it_tells_the_whole_story() -> None:
    rows = [
        TranscriptRow(T0, "mark", b"", "stage sync begins"),
        TranscriptRow(T0 + 1_002_003_000, "out", b"\x7f", "sync"),
        TranscriptRow(T0 + 1_003_000_000, "in", bytes(range(0x41, 0x53)), "stray"),
    ]
    text = written(REPORT, rows)
    # 1700000000 s is 2023-11-14 22:13:20 UTC (POSIX time; same by date -u -d @1700000000)
    assert "start: 2023-11-14 22:13:20.000000 UTC" in text
    lines = [" ".join(line.split()) for line in text.splitlines()]
    assert "1.002.003 out -> 7F · sync" in lines
    assert "1.003.000 in <- 41 42 43 44 45 46 47 48 ABCDEFGH stray" in lines
    assert "49 4A 4B 4C 4D 4E 4F 50 IJKLMNOP" in lines
    assert "51 52 QR" in lines
    for words in ["62 %", "because silence", "caution: power off first", "(3 times)", "next: swap", "baud 115200"]:
        assert words in text


def test_escape_sequences_and_c1_become_visible() -> None:
    report = {
        "outcome": EVIL,
        "port": EVIL,
        "settings": {EVIL: EVIL},
        "stages": [{"name": EVIL, "outcome": EVIL}],
        "target": {"names": [EVIL]},
        "observations": [{"id": "x", "text": EVIL}],
        "causes": [{"id": EVIL, "title": EVIL, "probability": 0.5, "why": [EVIL]}],
        "next_check": {"title": EVIL, "minutes": 1, "caution": EVIL},
        "error": {"code": EVIL, "message": EVIL, "help": EVIL},
    }
    kinds: list[Any] = ["out", "in", "line", "mark"]
    text = written(report, [TranscriptRow(T0, kind, EVIL.encode(), EVIL) for kind in kinds])
    assert not {"\x1b", "\x9b", "\u202e"} & set(text)
    assert "\\x1b[2J" in text
    assert "[/red]" in text  # plain text: markup stays the letters it is


@given(
    st.integers(-(2**62), 2**62),
    st.sampled_from(["out", "in", "line", "mark"]),
    st.binary(max_size=50),
    st.text(max_size=500),
)
def test_every_line_is_narrow_and_printable(offset: int, kind: Any, data: bytes, words: str) -> None:
    text = written({**REPORT, "port": words}, [TranscriptRow(T0 + offset % 10**15, kind, data, words)])
    for line in text.split("\n"):
        assert len(line) <= WIDTH
        assert not any(ord(c) < 32 or 0x7F <= ord(c) < 0xA0 for c in line)
