"""`wakeline report`: pages and texts to files and pipes, batches, and what stands in the way."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from console.cli import run
from console.report.text import WIDTH
from tests.console.report.made import parsed, unsafe

CAPTURES = Path(__file__).resolve().parents[3] / "captures"
NAMES = sorted(path.name for path in CAPTURES.glob("*.pcapng"))


@pytest.mark.parametrize("name", NAMES)
def test_every_capture_makes_a_page_and_a_text(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["report", str(CAPTURES / name), "-o", "page.html"]) == 0
    text = Path("page.html").read_text(encoding="utf-8")
    assert parsed(text).find("body") is not None
    assert not unsafe(text)
    # outside source: the digest of the file as hashlib gives it in one call
    assert hashlib.sha256((CAPTURES / name).read_bytes()).hexdigest() in text
    assert capsys.readouterr().out == "report written to page.html\n"
    assert run(["report", str(CAPTURES / name), "--text"]) == 0
    plain = capsys.readouterr().out
    assert not unsafe(plain)
    assert max(map(len, plain.splitlines())) <= WIDTH


def test_the_swap_story_reads_from_silence_to_the_board(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["report", str(CAPTURES / "swap-story.pcapng"), "--text", "--title", "Tern 07"]) == 0
    text = capsys.readouterr().out
    story = [
        "Tern 07",
        "✓ The board answered at attempt 2",
        "attempt 1, wires as built",
        "no answer",
        "most likely now",
    ]
    story += [
        "TX and RX swapped",
        "attempt 2, wires swapped",
        "identify: ✓ done",
        "because swap TX and RX",
        "FF FF FF FF",
    ]
    places = [text.index(word) for word in story]
    assert places == sorted(places)


def test_it_never_writes_over_a_file(capsys: pytest.CaptureFixture[str]) -> None:
    Path("page.html").write_text("mine")
    words = ["report", str(CAPTURES / "good.pcapng"), "-o", "page.html"]
    assert run(words) == 7
    assert "output-exists" in capsys.readouterr().err
    assert Path("page.html").read_text() == "mine"
    assert run([*words, "--overwrite"]) == 0


def test_a_batch_goes_on_over_what_cannot_be_read(capsys: pytest.CaptureFixture[str]) -> None:
    Path("odd\x1b[2J<b>.pcapng").write_text("no capture")
    files = [str(CAPTURES / "good.pcapng"), "odd\x1b[2J<b>.pcapng", str(CAPTURES / "echo.pcapng")]
    assert run(["report", *files, "-o", "batch.html", "--json"]) == 7
    told = capsys.readouterr()
    found = json.loads(told.out)
    assert (found["outcome"], found["file"], found["not_read"]) == ("input", "batch.html", ["odd\x1b[2J<b>.pcapng"])
    assert "odd\\x1b[2J<b>.pcapng is not read" in told.err
    assert not unsafe(told.err)
    text = Path("batch.html").read_text(encoding="utf-8")
    assert "First pass: 1 of 2 (95 % interval 9 to 91 %)" in text
    assert "odd\\x1b[2J&lt;b&gt;.pcapng" in text


def test_photos_are_named_without_their_folder(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["report", str(CAPTURES / "good.pcapng"), "--photo", "/home/me/secret/U4 top.jpg", "--photo", "u4-side.jpg"]
    assert run([*words, "--json"]) == 0
    text = json.loads(capsys.readouterr().out)["report"]
    assert "U4 top.jpg" in text
    assert "u4-side.jpg" in text
    assert "secret" not in text
