"""Who may act on a bench and how: tokens, requests, the list of running benches."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from console.bench import registry
from console.bench.control import ACTIONS, answer_line, find, parse_request, running
from console.bench.registry import BenchEntry
from console.errors import PortTrouble, UsageTrouble

TOKEN = "0123456789abcdef"


def request(**fields: Any) -> bytes:
    return json.dumps(fields).encode() + b"\n"


def test_every_action_is_understood_with_its_field() -> None:
    for action, field in ACTIONS.items():
        given_fields = {field: "8E1"} if field else {}
        assert parse_request(request(token=TOKEN, action=action, **given_fields), TOKEN) == (action, given_fields)


@pytest.mark.parametrize(
    ("line", "code"),
    [
        (request(token="wrong", action="status"), "bench-token"),
        (request(action="status"), "bench-token"),
        (request(token=7, action="status"), "bench-token"),
        (request(token="\ud800", action="status"), "bench-token"),
        (request(token=TOKEN, action="explode"), "bench-action"),
        (request(token=TOKEN), "bench-action"),
        (request(token=TOKEN, action=["status"]), "bench-action"),
        (request(token=TOKEN, action="fault"), "bench-request"),
        (b"[]\n", "bench-request"),
        (b"\xff\n", "bench-request"),
        (b"[" * 3000, "bench-request"),
    ],
)
def test_a_wrong_request_is_refused_by_name(line: bytes, code: str) -> None:
    with pytest.raises(UsageTrouble) as refused:
        parse_request(line, TOKEN)
    assert refused.value.code == code
    assert refused.value.help


@given(
    st.one_of(
        st.binary(max_size=200), st.recursive(st.none() | st.text(), st.lists).map(lambda x: json.dumps(x).encode())
    )
)
def test_any_line_gets_one_line_of_answer_and_acts_on_nothing(line: bytes) -> None:
    def never(action: str, fields: object) -> dict[str, Any]:
        raise AssertionError(action)

    answer = answer_line(line, TOKEN, never)
    assert answer.count(b"\n") == 1
    assert json.loads(answer)["ok"] is False


def entry(pid: int, port: str = "/dev/pts/99", link: str | None = None) -> BenchEntry:
    return BenchEntry(pid, port, link, 4711, TOKEN, "tern-12")


def test_entries_are_private_and_found_by_port_and_link(tmp_path: Path) -> None:
    link = tmp_path / "board.port"
    path = registry.register(entry(os.getpid(), link=str(link)))
    if sys.platform != "win32":
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert running() == [entry(os.getpid(), link=str(link))]
    for name in ("/dev/pts/99", str(link), "board.port"):  # the tests' working folder is tmp_path
        assert find(name) == entry(os.getpid(), link=str(link))
    assert find("/dev/pts/98") is None


def test_stale_and_broken_entries_are_removed() -> None:
    done = subprocess.Popen([sys.executable, "-c", ""])
    done.wait()
    dead = registry.register(entry(done.pid))
    broken = dead.with_name("77.json")
    broken.write_text('{"pid": "x"}', encoding="utf-8")
    assert running() == []
    assert not dead.exists()
    assert not broken.exists()


@pytest.mark.parametrize("change", [{"pid": -1}, {"pid": "1"}, {"port": 3}, {"control": 0}, {"link": 1}, {"more": 1}])
def test_an_entry_with_other_values_is_no_entry(change: dict[str, Any], tmp_path: Path) -> None:
    path = tmp_path / "1.json"
    path.write_text(json.dumps({**entry(1)._asdict(), **change}), encoding="utf-8")
    assert registry.read(path) is None


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="needs file modes, which this system does not have")
def test_a_folder_others_can_read_is_refused() -> None:
    registry.folder().chmod(0o755)
    with pytest.raises(PortTrouble) as refused:
        registry.folder()
    assert refused.value.code == "bench-folder"
    assert running() == []
