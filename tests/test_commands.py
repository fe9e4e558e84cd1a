"""The command line as scripts and people use it: exit codes, JSON, words, bad input. Real processes, real ports."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest

from console.bench.client import SimulatedBench
from console.cli import _COMMANDS
from console.link.address_lock import lock_addresses

ROOT = Path(__file__).resolve().parent.parent
CAPTURES = ROOT / "captures"
CONTRACT = {"outcome", "port", "settings", "target", "stages", "observations", "causes", "next_check", "error"}


async def wakeline(*words: str | Path) -> tuple[int, str, str]:
    """Run the command line in a process of its own; returns exit code, output, errors."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "console",
        *(str(word) for word in words),
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    out, err = await process.communicate()
    assert process.returncode is not None
    assert "Traceback" not in err.decode() + out.decode()
    return process.returncode, out.decode(), err.decode()


def check_contract(text: str) -> dict[str, Any]:
    """One JSON object, nothing else, with every contract field."""
    found: dict[str, Any] = json.loads(text)
    assert set(found) >= CONTRACT
    return found


async def test_handshake_with_uncrossed_wires_exits_3_and_names_them() -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="wires-uncrossed")
        code, out, err = await wakeline("handshake", bench.port, "--json")
    found = check_contract(out)
    assert (code, err) == (3, "")
    assert found["outcome"] == "no-answer"
    assert found["causes"][0]["id"] == "wires-uncrossed"
    assert found["next_check"]["id"] == "K05"
    assert found["error"]["help"]


async def test_handshake_with_a_good_board_exits_0_and_replays_the_same(tmp_path: Path) -> None:
    record = tmp_path / "good.pcapng"
    async with SimulatedBench() as bench:
        await bench.start()
        code, out, _ = await wakeline("handshake", bench.port, "--json", "--record", record)
    found = check_contract(out)
    assert code == 0
    assert found["target"]["product_id"] == "0x410"  # AN2606 Rev 70 Table 226
    assert [stage["name"] for stage in found["stages"]] == ["listen", "sync", "identify"]
    for stage in found["stages"]:
        assert {"name", "outcome", "started_s", "elapsed_s", "wire_s", "bytes_out", "bytes_in"} <= set(stage)
    # wire time is arithmetic: 8E1 is 11 bits a character (definition of the frame)
    sync = found["stages"][1]
    assert sync["wire_s"] == pytest.approx((sync["bytes_out"] + sync["bytes_in"]) * 11 / 115200, abs=1e-6)

    replay_code, replayed, _ = await wakeline("replay", record, "--json")
    assert replay_code == 0
    assert {**json.loads(replayed), "port": None} == {**found, "port": None}


async def test_handshake_as_text_shows_bytes_meaning_and_verdict() -> None:
    async with SimulatedBench() as bench:
        await bench.start()
        code, out, _ = await wakeline("handshake", bench.port)
    assert code == 0
    for words in ("out ->  7F", "in  <-  79", "product id 0x410", "F10x medium density"):
        assert words in out


@pytest.mark.parametrize(
    ("words", "code", "key"),
    [
        (["handshake", "no-such-port"], 6, "port-missing"),
        (["handshake", "rfc2217://127.0.0.1:1"], 6, "port-url"),
        (["handshake", "nonsense://x"], 6, "port-url"),
        (["handshake", "socket://127.0.0.1:1"], 6, "port-missing"),
        (["handshake", "."], 6, "port-unusable"),
        (["handshake"], 2, "usage"),
        (["handshake", "x", "--baud", "0"], 2, "usage"),
        (["handshake", "x", "--family", "unheard"], 2, "family"),
        (["handshake", "x", "--reset-line", "dtr", "--strap-line", "dtr"], 2, "usage"),
        (["frobnicate"], 2, "usage"),
        (["demo", "--scene", "unheard", "--headless"], 2, "scene"),
        (["bench", "--fault", "unheard"], 2, "fault"),
        (["replay", "no-such-file"], 7, "capture"),
        (["transcript", "no-such-file"], 7, "capture"),
        (["report", "no-such-file"], 7, "capture"),
        (["report", "no-such-file", "nor-this"], 7, "capture"),
        (["report"], 2, "usage"),
        ([], 2, "no-terminal"),
        (["open", "x"], 2, "no-terminal"),
        (["open", "x", "--baud", "fast"], 2, "usage"),
        (["ports", "--for", "1"], 2, "usage"),
        (["ports", "--watch", "--expect", "1209"], 2, "usage"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
async def test_bad_input_has_a_word_a_next_step_and_its_exit_code(words: list[str], code: int, key: str) -> None:
    got, out, err = await wakeline(*words)
    assert (got, out) == (code, "")
    assert key in err
    assert "next:" in err
    if words and words[0] == "handshake":
        got, out, err = await wakeline(*words, "--json")
        assert (got, err) == (code, "")
        assert key in check_contract(out)["error"]["code"]


async def test_ports_lists_simulated_boards() -> None:
    async with SimulatedBench() as bench:
        await bench.start()
        code, out, _ = await wakeline("ports", "--json")
        assert code == 0
        assert bench.port in {entry["port"] for entry in json.loads(out)["simulated"]}
        code, out, _ = await wakeline("ports")
        assert (code, bench.port in out) == (0, True)


async def test_hands_on_a_running_bench_measure_and_repair() -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="target-unpowered")
        do = ("bench", "--link", bench.port, "--do")
        code, out, _ = await wakeline(*do, "check=K08")
        assert (code, out.splitlines()[0]) == (0, "K08: out-of-range")
        assert "rail: " in out
        code, out, _ = await wakeline(*do, "repair=R13")
        assert (code, "changed nothing" in out) == (0, True)
        code, out, _ = await wakeline(*do, "repair=R03", "--json")
        assert json.loads(out)["powered"] is True
        assert (await wakeline(*do, "adapter-frame=8E1"))[0] == 0
        assert (await wakeline(*do, "adapter-baud=57600"))[0] == 0
        for wrong in ("check", "check=", "check=K99", "explode", "swap-wires=7", "swap-wires="):
            code, _, err = await wakeline(*do, wrong)
            assert (code, err.startswith("error")) == (2, True), err
        code, _, err = await wakeline(*do, "swap-wires=7")
        assert "swap-wires takes no value, and '7' is given" in err
        assert json.loads((await wakeline(*do, "status", "--json"))[1])["crossed"] is True


async def test_demo_in_a_pipe_tells_the_story_and_as_json_gives_the_object() -> None:
    code, out, _ = await wakeline("demo")
    assert code == 0
    story = [
        out.index(word)
        for word in ("no-answer", "[wires-uncrossed]", "swap TX and RX", "done: K05 swap", "product id 0x410")
    ]
    assert story == sorted(story)
    code, out, _ = await wakeline("demo", "--headless", "--json")
    found = check_contract(out)
    assert (code, found["outcome"], found["attempts"]) == (0, "ok", 2)


async def test_transcript_goes_to_a_file_and_never_over_one(tmp_path: Path) -> None:
    capture = CAPTURES / "wires-uncrossed.pcapng"
    code, out, _ = await wakeline("transcript", capture)
    assert code == 0
    assert "wires-uncrossed" in out
    target = tmp_path / "story.txt"
    assert (await wakeline("transcript", capture, "-o", target))[0] == 0
    assert target.read_text(encoding="utf-8").rstrip() == out.rstrip()
    code, _, err = await wakeline("transcript", capture, "-o", target)
    assert code == 7
    assert "output-exists" in err


@pytest.mark.parametrize("shell", ["bash", "zsh"])
async def test_completion_knows_every_command(shell: str) -> None:
    code, out, _ = await wakeline("completion", shell)
    assert code == 0
    for command in _COMMANDS:
        assert command in out


async def test_every_command_explains_itself() -> None:
    for command in (
        [],
        ["demo"],
        ["ports"],
        ["open"],
        ["handshake"],
        ["try"],
        ["replay"],
        ["transcript"],
        ["notebook"],
        ["report"],
        ["image"],
        ["bench"],
        ["completion"],
    ):
        code, out, _ = await wakeline(*command, "--help")
        assert code == 0
        assert "exit codes" in out


async def test_answers_from_a_file_move_the_ranking_and_stand_in_the_record(tmp_path: Path) -> None:
    answers, record, story = tmp_path / "answers.toml", tmp_path / "s.pcapng", tmp_path / "s.txt"
    told_first = ('note = "lid was wet"', 'step = "K01"\noutcome = "right-port"', *['step = "K05"\ndone = true'] * 2)
    told = (*told_first, 'step = "K08"\nreading = "0.02 V"', "stop = true")
    answers.write_text("".join(f"[[answer]]\n{entry}\n" for entry in told))
    async with SimulatedBench() as bench:
        await bench.start(fault="target-unpowered")
        code, out, _ = await wakeline("handshake", bench.port, "--json", "--answers", answers, "--record", record)
    found = check_contract(out)
    assert code == 3
    assert found["causes"][0]["id"] == "target-unpowered"
    assert found["causes"][0]["probability"] > 0.8  # a rail of 0 V: the board has no power (fact of the trade)
    assert found["next_check"]["id"] == "R03"
    assert (await wakeline("transcript", record, "-o", story))[0] == 0
    told = story.read_text()
    assert "proposed: K08" in told
    assert "0.02 V, out-of-range" in told
    assert "operator notes: lid was wet" in told


async def test_a_file_of_answers_without_the_one_asked_for_says_what_to_add(tmp_path: Path) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text('[[answer]]\nstep = "K99"\nskip = true\n')
    async with SimulatedBench() as bench:
        await bench.start(fault="wires-uncrossed")
        code, _, err = await wakeline("handshake", bench.port, "--answers", answers)
        both, _, _ = await wakeline("handshake", bench.port, "--answers", answers, "--ask")
    assert (code, both) == (7, 2)
    assert 'step = "K05"' in err


async def test_the_demo_mends_a_board_in_a_pipe() -> None:
    code, out, _ = await wakeline("demo", "--scene", "tern-09")
    assert code == 0
    assert "We do what it says: measure the supply" in out
    assert "caution:" in out
    assert "99 %  the board has no power" in out.rpartition("what it was:")[2]
    assert "100 %" not in out


async def test_a_reader_that_leaves_early_changes_neither_the_run_nor_its_exit_code() -> None:
    async with SimulatedBench() as bench:
        await bench.start(fault="wires-uncrossed")
        read, write = os.pipe()
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "console", "handshake", bench.port,
            stdin=asyncio.subprocess.DEVNULL, stdout=write, stderr=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        os.close(write)
        os.close(read)  # as `head` does
        _, err = await process.communicate()
    assert (process.returncode, err.decode()) == (3, "")


@pytest.mark.skipif(sys.platform == "win32", reason="this system has no advisory locks")
async def test_a_second_program_on_one_socket_is_told_who_has_it() -> None:
    async with SimulatedBench() as bench:
        await bench.start(socket=True)
        lock = lock_addresses([("127.0.0.1", int(bench.port.rpartition(":")[2]))])
        code, out, _ = await wakeline("handshake", bench.port, "--json")
        found = check_contract(out)
        assert (code, found["error"]["code"], found["causes"][0]["id"]) == (6, "port-busy", "port-busy")
        assert f"(pid {os.getpid()})" in found["error"]["help"] or not sys.platform.startswith("linux")
        lock.release()
        assert (await wakeline("handshake", bench.port, "--json"))[0] == 0
