"""`wakeline bringup` as a person runs it: against the simulated bench on a real port, from answers, into records."""

from __future__ import annotations

import io
import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest

from console.boards.board_file import load_board
from console.cli import run
from console.commands.bringup import record_path
from console.errors import InputTrouble
from console.record.pcapng import CaptureFile
from console.snapshot import Fold


def told(capsys: pytest.CaptureFixture[str]) -> Any:
    return json.loads(capsys.readouterr().out)


def test_from_the_first_look_to_the_box_with_one_fault_found_mended_and_recorded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = tmp_path / "tern-22.pcapng"
    words = ["bringup", "tern-b", "--bench", "open-pin:pin=U6.2", "--serial", "22", "--record", str(record), "--json"]
    assert run(words) == 0
    said = told(capsys)
    plan = said["bringup"]
    assert said["outcome"] == plan["outcome"] == "ok"
    assert (plan["board"], plan["revision"], plan["serial"]) == ("Tern", "B", "22")
    assert all(stage["state"] == "passed" for stage in plan["stages"])
    assert [done["stage"] for done in plan["repairs"]] == ["memory"]
    runs = {stage["id"]: stage["runs"] for stage in plan["stages"]}
    assert (runs["memory"], runs["sync"], runs["write"], runs["box"]) == (2, 2, 1, 1)

    fold = Fold()
    for event in CaptureFile(record).events():
        fold.add(event)
    assert run(["replay", str(record), "--json"]) == 0
    again = told(capsys)
    assert again["bringup"] == plan
    assert again["target"] == said["target"]
    state = fold.snapshot().bringup
    assert state is not None
    assert state.passed == len(plan["stages"])


def typed(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def test_the_repair_of_the_record_is_what_the_benchs_hands_saw(capsys: pytest.CaptureFixture[str]) -> None:
    """They are sent to an open joint and find its lead bridged to the next one."""
    assert run(["bringup", "tern-b", "--bench", "bridge-pins:a=U6.1,b=U6.2", "--from", "erase"]) == 0
    out = capsys.readouterr().out
    assert "looked: solder between U6.1 and U6.2" in out
    assert "put right after memory had failed: U6.1 to U6.2: solder bridge" in out


def test_a_person_answers_while_the_board_is_simulated(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    words = ("done", "3.3", "", "done", "stop")  # the loader answers only if the bench did what the person said
    typed(monkeypatch, *words)
    assert run(["bringup", "tern-b", "--bench", "--ask", "--from", "rail-3v3"]) == 8
    out = capsys.readouterr().out
    assert "right is 3.135 to 3.465 V" in out
    assert "Enter alone" in out
    assert re.search(r"\+ sync +passed +it answers", out)
    assert re.search(r"\+ rail-1v2 +passed +1.2 V", out)
    assert out.index("not proven in this run: look-supply") < out.index("[ 5/22]")


def test_what_a_person_says_they_mended_is_mended_on_the_bench(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, change = tmp_path / "answers.toml", "done = true"
    steps = [("power-on", change), ("into-loader", change), ("power-off", change),
             ("bridge U4.14 U4.15", 'other = "U6.2 was never soldered"'),
             ("look-chips", 'outcome = "good"'), ("no-short-3v3", 'reading = "1 M"'), ("power-on", change),
             ("rail-3v3", 'reading = "3.3"'), ("into-loader", change), ("lamp", 'outcome = "yes"'),
             ("power-off", change), ("radio-header", "skip = true"), ("box", 'outcome = "yes"')]  # fmt: skip
    file.write_text("".join(f'[[answer]]\nstep = "{step}"\n{said}\n' for step, said in steps), encoding="utf-8")
    words = ["--bench", "open-pin:pin=U6.2", "--answers", str(file), "--from", "listen", "--json"]
    assert run(["bringup", "tern-b", *words]) == 0
    plan = told(capsys)["bringup"]
    assert [(done["key"], done["pins"]) for done in plan["repairs"]] == [("open joint U6.2", ["U6.2"])]
    states = {stage["id"]: stage["state"] for stage in plan["stages"]}
    assert (states["memory"], states["radio-header"]) == ("passed", "skipped")
    assert next(stage["found"] for stage in plan["stages"] if stage["id"] == "no-short-3v3") == "1 Mohm"


def test_board_after_board_is_recorded_in_one_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "boards"
    folder.mkdir()
    for serial in ("7", "8", "8"):
        words = ["--bench", "--from", "box", "--serial", serial, "--record", str(folder)]
        assert run(["bringup", "tern-b", *words]) == 0
    assert "next board: the same command with --serial 9" in capsys.readouterr().out
    assert sorted(path.name for path in folder.iterdir()) == [
        "Tern-B-7.pcapng", "Tern-B-8-2.pcapng", "Tern-B-8.pcapng",
    ]  # fmt: skip


def test_as_text_every_stage_has_a_line_and_nothing_is_unsafe(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["bringup", "tern-b", "--bench", "dead-part:part=Y1", "--from", "listen"]) == 0
    out = capsys.readouterr().out
    assert "\x1b" not in out
    for words in ("[17/22] fpga: FPGA", "7E 12 0B 31", "put right", "the plan is done from where it began"):
        assert words in out, words
    assert re.search(r"\+ memory +passed +id 5A 31 14", out)


def test_a_capture_replayed_as_text_ends_with_the_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = tmp_path / "r.pcapng"
    assert run(["bringup", "tern-b", "--bench", "--from", "plug", "--record", str(record)]) == 0
    capsys.readouterr()
    assert run(["replay", str(record), "--text"]) == 0
    out = capsys.readouterr().out
    assert "plan of Tern, revision B" in out
    assert "16 of 22 stages passed, 6 taken as passed without being run" in out


ANSWERS = """
[[answer]]
step = "look-supply"
outcome = "good"
[[answer]]
note = "the flux smells"
[[answer]]
step = "look-chips"
outcome = "good"
[[answer]]
step = "power-off"
done = true
[[answer]]
step = "no-short-3v3"
reading = "open"
[[answer]]
step = "no-short-1v2"
reading = "{core}"
[[answer]]
step = "power-on"
done = true
[[answer]]
step = "rail-3v3"
reading = "3290 mV"
[[answer]]
step = "rail-1v2"
reading = "0,9 V"
[[answer]]
step = "supply +1V2"
outcome = "retry"
[[answer]]
step = "rail-1v2"
reading = "0.91 V"
[[answer]]
stop = true
"""


def test_answers_from_a_file_until_the_operator_stops(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "answers.toml"
    file.write_text(ANSWERS.format(core="100 ohm"), encoding="utf-8")
    words = ["bringup", "tern-b", "--port", str(tmp_path / "none"), "--answers", str(file), "--json"]
    assert run(words) == 5
    said = told(capsys)
    assert said["outcome"] == "mismatch"
    assert said["bringup"]["stopped_at"] == "rail-1v2"
    assert "0.23 V below the least allowed (1.14 V)" in said["error"]["message"]
    assert said["bringup"]["suspects"][0]["why"]
    assert said["bringup"]["stages"][4]["found"] == "3.29 V"


def test_an_answer_that_is_missing_names_the_step(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "answers.toml"
    file.write_text('[[answer]]\nstep = "look-supply"\noutcome = "good"\n', encoding="utf-8")
    assert run(["bringup", "tern-b", "--port", str(tmp_path / "none"), "--answers", str(file)]) == 7
    shown = capsys.readouterr()
    assert 'step = "look-chips"' in shown.err
    assert "1 of 22 stages passed" in shown.out


def test_check_says_what_is_in_a_file_without_a_port(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["bringup", "tern-b", "--check"]) == 0
    out = capsys.readouterr().out
    assert "board Tern, revision B: 40 parts" in out
    assert "rail +3V3: 3.135 to 3.465 V" in out
    assert "image logger: 3072 bytes" in out
    assert "22 stages" in out
    assert run(["bringup", "tern-b", "--check", "--json"]) == 0
    said = told(capsys)
    assert (said["outcome"], len(said["stages"]), said["error"]) == ("ok", 22, None)


def test_check_of_a_wrong_file_names_file_line_and_key(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "b.toml"
    file.write_text('[board]\nname = "x"\n', encoding="utf-8")
    assert run(["bringup", str(file), "--check"]) == 7
    assert "b.toml, line" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "code", "help"),
    [
        (["bringup", "tern-b"], 2, "--port PORT or --bench"),
        (["bringup", "tern-b", "--port", "p", "--bench"], 2, "--port PORT or --bench"),
        (["bringup", "tern-b", "--port", "p", "--ask", "--answers", "f"], 2, "leave one"),
        (["bringup", "tern-b", "--bench", "--ask", "--answers", "f"], 2, "leave one"),
        (["bringup", "tern-b", "--port", "p"], 2, "--ask, --answers FILE"),
        (["bringup", "tern-b", "--bench", "--from", "nowhere"], 2, "one of: look-supply"),
        (["bringup", "tern-b", "--bench", "no-such-fault"], 2, "wires-uncrossed"),
        (["bringup", "tern-b", "--bench", "tern-21", "--bench", "tern-24"], 2, "all but one"),
        (["bringup", "tern-b", "--bench", "open-pin:pin=U4.99"], 2, "U4.48"),
        (["bringup", "no-such-board", "--check"], 7, "check the name"),
    ],
)
def test_what_cannot_be_done_is_told(
    words: list[str], code: int, help: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(words) == code
    assert help in capsys.readouterr().err


def test_the_notebook_keeps_the_board_under_its_serial_number(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book, record = str(tmp_path / "club.sqlite"), tmp_path / "r.pcapng"
    words = ["--from", "listen", "--serial", "31", "--notebook", book, "--record", str(record)]
    assert run(["bringup", "tern-b", "--bench", "open-pin:pin=U6.2", *words]) == 0
    assert "notebook: kept as session 1" in capsys.readouterr().out
    assert run(["notebook", "show", "tern-31", "--notebook", book, "--json"]) == 0
    found = told(capsys)["session"]
    assert (found["board"], found["revision"], found["simulated"]) == ("Tern-31", "B", True)
    assert (found["first_outcome"], found["outcome"], found["stopped_at"]) == ("mismatch", "ok", "memory")
    assert [(fix["part"], fix["joint"]) for fix in found["fixes"]] == [("U6", "2")]
    assert found["capture"] == str(record)


def test_the_report_of_a_bring_up_tells_the_plan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = str(tmp_path / "r.pcapng")
    fault = "bridge-pins:a=U5.14,b=U5.15"
    assert run(["bringup", "tern-b", "--bench", fault, "--from", "listen", "--serial", "24", "--record", record]) == 0
    capsys.readouterr()
    assert run(["report", record, "--text"]) == 0
    out = capsys.readouterr().out
    assert "number 24: every stage of the plan passed" in " ".join(out.split())
    places = [out.index(words) for words in ("The plan\n", "Where it stopped\n", "What was put right\n", "U5.14 to")]
    assert places[:3] == sorted(places[:3])
    assert run(["report", record, "-o", str(tmp_path / "r.html")]) == 0
    assert "Where it stopped" in (tmp_path / "r.html").read_text(encoding="utf-8")


def test_a_simulated_board_is_one_before_its_port_was_opened(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A plan that only has the operator look never opens the port: no notebook may take the board for a real one."""
    book = str(tmp_path / "club.sqlite")
    assert run(["bringup", "tern-b", "--bench", "--from", "box", "--serial", "5", "--notebook", book]) == 0
    capsys.readouterr()
    assert run(["notebook", "show", "Tern-5", "--notebook", book, "--json"]) == 0
    assert told(capsys)["session"]["simulated"] is True


def test_several_faults_are_staged_and_one_that_shows_nowhere_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    faults = ("open-pin:pin=U4.23", "open-pin:pin=J1.2", "open-pin:pin=R3.1")
    words = [word for fault in faults for word in ("--bench", fault)]
    assert run(["bringup", "tern-b", *words, "--from", "plug", "--json"]) == 0
    captured = capsys.readouterr()
    assert "staged: open-pin:pin=U4.23 changes nothing that a stage can see" in captured.err
    assert captured.err.count("changes nothing that a stage can see") == 1
    plan = json.loads(captured.out)["bringup"]
    # the port comes only once USB D- is mended; the lamp stays dark until its resistor is
    assert list(dict.fromkeys(done["stage"] for done in plan["repairs"])) == ["plug", "lamp"]


def test_a_folder_that_is_not_there_yet_is_made_where_its_name_says_that_it_is_one(tmp_path: Path) -> None:
    plan = load_board("tern-b")
    assert record_path(f"{tmp_path}/records/", plan, "7") == str(tmp_path / "records" / "Tern-B-7.pcapng")
    (tmp_path / "file").write_text("")
    with pytest.raises(InputTrouble, match="folder cannot be made"):
        record_path(f"{tmp_path}/file/records/", plan, "7")
