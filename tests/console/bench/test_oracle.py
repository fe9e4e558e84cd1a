"""The operator's findings and repairs: from the circuit and from trials, for every check of the list."""

from __future__ import annotations

from dataclasses import replace

import pytest

from console.bench import hands, oracle
from console.bench.board import Board
from console.bench.oracle import Staged, answer
from console.bench.scenes import faults, setup_for
from console.bench.setup import Mode, Setup
from console.bench.wiring import Wiring
from console.causes.catalogue import catalogue
from console.errors import UsageTrouble


def staged(*names: str) -> Staged:
    setup = setup_for(None, names)
    return Staged(setup, Board(setup).mode)


def test_the_bench_can_do_every_check_and_repair_that_can_be_proposed() -> None:
    table = catalogue()
    for check in table.checks.values():
        for each in (None, *faults()):
            found = answer(staged(*([each.id] if each else [])), check.id)
            assert found.outcome in check.outcomes, f"{check.id} over {each and each.id}: {found.outcome}"
    assert set(table.repairs) <= set(hands.REPAIRS)
    assert set(hands.REPAIRS) <= set(table.repairs) | set(table.checks)


@pytest.mark.parametrize(
    ("fault", "check", "outcome"),
    [
        # each follows from the definition of the check and from where the fault sits in the circuit
        ("target-unpowered", "K08", "out-of-range"),
        ("supply-shorted", "K08", "out-of-range"),
        ("supply-shorted", "K24", "high"),
        ("supply-shorted", "K25", "hot"),
        ("target-unpowered", "K24", "near-zero"),
        ("no-common-ground", "K06", "open"),
        ("wires-uncrossed", "K05", "answers"),
        ("wires-uncrossed", "K12", "neither"),
        ("wires-uncrossed", "K28", "silent"),
        ("boot-strap-wrong", "K05", "silent"),
        ("boot-strap-wrong", "K15", "other-level"),
        ("boot-strap-wrong", "K16", "answers"),
        ("boot-strap-wrong", "K13", "silent"),
        ("not-reset-into-loader", "K13", "answers"),
        ("wrong-port", "K01", "other-port"),
        ("adapter-absent", "K01", "none"),
        ("adapter-absent", "K29", "nothing"),
        ("bridge-clock-dead", "K29", "unknown-device"),
        ("adapter-dead", "K02", "nothing"),
        ("adapter-dead", "K27", "answers"),
        ("baud-too-far", "K17", "lower-rate"),
        ("board-rx-open", "K12", "header-only"),
        ("board-rx-open", "K20", "rx-open"),
        ("board-rx-open", "K21", "works-pressed"),
        ("board-rx-open", "K23", "rx-joint-helped"),
        ("board-tx-open", "K23", "tx-joint-helped"),
        ("board-tx-open", "K12", "half-at-both"),
        ("board-tx-held-low", "K09", "low"),
        ("board-tx-held-low", "K19", "tx-to-ground"),
        ("board-tx-held-low", "K22", "found"),
        ("board-rx-stuck", "K12", "header-only"),
        ("tx-rx-shorted", "K19", "tx-to-rx"),
        ("target-clock-dead", "K26", "not-running"),
        ("target-missing", "K20", "both-open"),
        ("target-missing", "K30", "answers"),
        ("target-dead", "K30", "answers"),
        ("target-dead", "K20", "both-connected"),
        ("application-running", "K18", "text"),
        ("intermittent-joint", "K21", "works-pressed"),
        ("frame-format-wrong", "K17", "silent"),  # this adapter keeps its frame whatever it is told
    ],
)
def test_what_a_check_shows(fault: str, check: str, outcome: str) -> None:
    assert answer(staged(fault), check).outcome == outcome


GOOD_BOARD = {
    "K01": "right-port", "K02": "echoes", "K03": "echoes", "K04": "gone", "K06": "joined", "K07": "near-zero",
    "K08": "in-range", "K09": "near-rail", "K10": "as-at-pin", "K11": "both-high", "K12": "half-at-both",
    "K14": "high", "K15": "boot-level", "K18": "nothing", "K19": "no-short", "K20": "both-connected",
    "K21": "no-change", "K22": "nothing-found", "K24": "normal", "K25": "none", "K28": "answers", "K29": "named",
}  # fmt: skip


@pytest.mark.parametrize(("check", "outcome"), GOOD_BOARD.items())
def test_a_good_board_measures_well(check: str, outcome: str) -> None:
    assert answer(staged(), check).outcome == outcome


def test_readings_are_those_of_a_meter() -> None:
    # 3.3 V +-5 % is 3.135 to 3.465 V (arithmetic); a missing supply leaves what comes back through a pin
    rail = answer(staged(), "K08").readings[0]
    assert (rail.place, rail.unit) == ("rail", "V")
    assert 3.135 <= (rail.value or 0) <= 3.465
    assert (answer(staged("target-unpowered"), "K08").readings[0].value or 0) < 0.5
    assert answer(staged("no-common-ground"), "K06").readings[0].value is None
    # 55 is half ones, half zeros: half the supply (arithmetic on the character's ten bits)
    assert [round(r.value or 0, 1) for r in answer(staged(), "K12").readings] == [1.7, 1.7]
    assert "overload" in str(answer(staged("no-common-ground"), "K06").readings[0])


@pytest.mark.parametrize("step", [*hands.REPAIRS])
def test_a_repair_mends_its_own_fault_only(step: str) -> None:
    straps = {f.id for f in faults() if f.changes.get("strap_boot") is False} | {"not-reset-into-loader"}
    mends = {
        "K05": {"wires-uncrossed"},
        "K13": {"not-reset-into-loader"},
        "K16": straps,
        "R20": straps,
        "K23": {"board-rx-open", "board-tx-open", "intermittent-joint"},
        "R22": {"board-rx-open", "board-tx-open", "intermittent-joint"},
        "R10": {"wrong-port", "adapter-dead", "adapter-absent", "bridge-clock-dead", "frame-format-wrong"},
        "K27": {"wrong-port", "adapter-dead", "adapter-absent", "bridge-clock-dead", "frame-format-wrong"},
        "R08": {"wrong-port", "adapter-dead", "adapter-absent", "bridge-clock-dead", "frame-format-wrong"},
        "K30": {"target-dead", "target-missing", "readout-protected"},
        "R02": {"no-common-ground"},
        "R03": {"target-unpowered"},
        "R04": {"supply-shorted"},
        "R07": {"wrong-port"},
        "R13": {"board-tx-held-low"},
        "R14": {"board-rx-stuck"},
        "R15": {"tx-rx-shorted"},
        "R16": {"bridge-clock-dead"},
        "R17": {"target-clock-dead"},
        "R19": {"readout-protected"},
        "R21": {"logic-level-mismatch"},
    }[step]
    broken = {f.id for f in faults() if f.id != "baud-too-far" and not oracle.wakes(staged(f.id))} | {
        "readout-protected", "intermittent-joint", "logic-level-mismatch"
    }  # fmt: skip
    for fault in sorted(broken):
        setup = setup_for(None, (fault,))
        board = Board(setup)
        hands.repair(board, step, 1.0)
        left = board.setup
        works = oracle.wakes(Staged(left, board.mode)) and not left.readout_protected
        works &= left.wiring.tx_joint is Wiring().tx_joint and left.wiring.high_reaches
        works |= fault == "not-reset-into-loader" and hands.REPAIRS[step][1] and board.mode is Mode.ROM
        starts = fault == "not-reset-into-loader" and hands.REPAIRS[step][1]  # whatever starts the chip mends it
        assert works == (fault in mends or starts), fault


def test_a_new_chip_is_blank_and_a_repair_in_vain_says_so() -> None:
    board = Board(replace(Setup(), readout_protected=True))
    board.target.memory.load(0x0800_0000, b"\x00" * 4)
    assert hands.repair(board, "R19", 1.0)  # AN3155 Rev 20 s.3.12: taking the protection off erases the flash
    assert board.target.memory.read(0x0800_0000, 4) == b"\xff" * 4
    assert not board.target.protected
    assert not hands.repair(board, "R15", 2.0)


@pytest.mark.parametrize(("call", "code"), [(answer, "bench-check"), (None, "bench-step")])
def test_what_it_cannot_do_is_refused(call: object, code: str) -> None:
    with pytest.raises(UsageTrouble) as refused:
        answer(staged(), "K99\x1b") if call else hands.repair(Board(Setup()), "K99\x1b", 0.0)
    assert refused.value.code == code
    assert "\x1b" not in str(refused.value)
    assert refused.value.help
