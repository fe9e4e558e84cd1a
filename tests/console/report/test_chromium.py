"""The page in a real browser: whatever a capture holds, no script runs, nothing is fetched, the page stays the page.

Outside source: Chromium without a window. Each check is made beside a page that shows that it can fail.
"""

from __future__ import annotations

import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from console.commands.report import read
from console.record.pcapng import CaptureWriter
from console.report.compose import session_report
from console.report.html import page
from tests.console.report.test_html import everything

BROWSER = shutil.which("chromium")
pytestmark = [
    pytest.mark.outside,
    pytest.mark.skipif(BROWSER is None, reason="chromium is not installed (Debian package chromium)"),
]
OWNED = "owned by the target"


@contextmanager
def listening() -> Iterator[tuple[str, list[str]]]:
    """A web server on this machine: its address, and what was asked of it."""
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            self.send_error(404)

        def log_message(self, format: str, *values: object) -> None:
            """Nothing: the test looks at `asked`."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}", asked
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def browse(path: Path, *options: str) -> str:
    """Let the browser open a page, run what it runs for up to two seconds of its own time, and leave."""
    command = [
        *(str(BROWSER), "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-sync"),
        *("--disable-background-networking", "--disable-component-update", "--virtual-time-budget=2000"),
        *(f"--user-data-dir={path.parent / 'profile'}", *options, path.resolve().as_uri()),
    ]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=50).stdout


def attack(address: str) -> str:
    """Markup that renames the page and calls home in as many ways as fit a mark."""
    rename = f"document.title='{OWNED}'"
    return (
        f'</title></style></svg></td>"\'><script>{rename}</script><img src={address}/img onerror="{rename}">'
        f'<svg onload="{rename}"></svg><link rel=stylesheet href={address}/css><iframe src={address}/frame></iframe>'
        f"<meta http-equiv=refresh content='0;url={address}/away'>"
    )


def hostile_page(tmp_path: Path, markup: str) -> str:
    """The report of a capture, written to disk and read back, in which every field and every byte is an attack."""
    path = tmp_path / "<script>alert(1)<script>.pcapng"
    writer = CaptureWriter.create(path, port=markup, baud=115200)
    for event in everything(markup, markup.encode()):
        writer.write(event)
    writer.close()
    return page(session_report(read(path), title=f"Tern {markup}", photos=(markup,)))


def test_no_script_runs_and_nothing_is_fetched(tmp_path: Path) -> None:
    with listening() as (address, asked):
        report = tmp_path / "report.html"
        text = hostile_page(tmp_path, attack(address))
        report.write_text(text, encoding="utf-8")
        shown = browse(report, "--dump-dom")
        assert asked == []
        assert "<title>Tern &lt;/title&gt;" in shown
        assert "<script" not in shown
        assert shown.count("<section") == text.count("<section")

        bare = tmp_path / "bare.html"
        bare.write_text(f"<!DOCTYPE html><title>bare</title><body>{attack(address)}", encoding="utf-8")
        browse(bare, "--dump-dom")
        assert asked  # without the report's care this attack calls home


def test_the_policy_holds_even_if_escaping_failed(tmp_path: Path) -> None:
    with listening() as (address, asked):
        rename = f"document.title='{OWNED}'"
        leak = (
            f'<script>{rename}</script><img src={address}/img onerror="{rename}"><link rel=stylesheet href={address}/c>'
        )
        text = hostile_page(tmp_path, "x").replace("<footer>", f"{leak}<footer>")
        held, bare = tmp_path / "held.html", tmp_path / "bare.html"
        held.write_text(text, encoding="utf-8")
        bare.write_text(text.replace("Content-Security-Policy", "no-policy"), encoding="utf-8")
        assert f"<title>{OWNED}" not in browse(held, "--dump-dom")
        assert asked == []
        assert f"<title>{OWNED}" in browse(bare, "--dump-dom")
        assert "/img" in asked


def test_it_prints(tmp_path: Path) -> None:
    report = tmp_path / "report.html"
    report.write_text(hostile_page(tmp_path, "plain words"), encoding="utf-8")
    browse(report, f"--print-to-pdf={tmp_path / 'report.pdf'}", "--no-pdf-header-footer")
    data = (tmp_path / "report.pdf").read_bytes()
    assert data.startswith(b"%PDF-")
    # A4 is 210 x 297 mm (ISO 216) = 595 x 842 points of 1/72 inch
    assert b"/MediaBox [0 0 594.95996 841.91998]" in data or b"/MediaBox [0 0 595" in data
