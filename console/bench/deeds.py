"""What can be done to a staged board, by name: the actions of the control connection but those of its port.

Time is data, as in `board`; nothing here waits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from console.bench import hands, meter, oracle
from console.bench.board import Board
from console.bench.scenes import fault, with_fault
from console.bench.setup import PortState, Setup
from console.bench.spoils import spoiled
from console.errors import UsageTrouble
from protocols.uart import Frame


def act(board: Board, action: str, fields: Mapping[str, Any], now_s: float) -> dict[str, Any]:
    """Do it; returns what is to be told of it. Raises UsageTrouble for fields that do not fit."""
    wiring = board.setup.wiring
    match action:
        case "swap-wires":
            board.rewire(replace(wiring, crossed=not wiring.crossed), now_s)
        case "connect-ground":
            board.rewire(replace(wiring, ground=True), now_s)
        case "power-on" | "power-off":
            board.rewire(replace(wiring, powered=action == "power-on"), now_s)
        case "strap-boot" | "strap-run":
            board.strap(action == "strap-boot")
        case "reset":
            board.reset(now_s)
        case "reflow":
            hands.work(board, hands.heal(board.setup), now_s)
        case "join-adapter" | "part-adapter":
            board.rewire(replace(wiring, loop_back=action == "join-adapter"), now_s)
        case "board-off" | "board-on":
            board.rewire(replace(wiring, connected=action == "board-on"), now_s)
        case "adapter-frame":
            board.set_frame(_frame(fields["frame"]))
        case "adapter-baud":
            board.baud = _baud(fields["baud"])
        case "spoil":
            board.spoil(spoiled(board.setup, str(fields["flaw"])))
        case "heal-flaws":
            board.spoil(Setup())
        case "mend":
            return {"changed": hands.work(board, hands.mended(board.setup, str(fields["place"])), now_s)}
        case "exchange":
            return {"changed": hands.exchange(board, str(fields["part"]), now_s)}
        case "look":
            return {"found": board.setup.joints.at(str(fields["place"]))}
        case "measure":
            return _measured(board.setup, str(fields["at"]))
        case "watch":
            return {"so": meter.does(board.setup, str(fields["part"]))}
        case "port-state":
            board.setup = replace(board.setup, port=_port_state(fields["state"]))
        case "fault":
            board.become(with_fault(board.setup, fault(str(fields["name"]))), now_s)
        case "check":
            return _check(board, str(fields["check"]), now_s)
        case "repair":
            return {"changed": hands.repair(board, str(fields["step"]), now_s)}
        case _:
            pass  # "status": the answer is the same
    return {}


def _check(board: Board, check: str, now_s: float) -> dict[str, Any]:
    """What the operator finds. Work that is tried and helps stays done; in vain, it is put back."""
    found = oracle.answer(oracle.Staged(board.setup, board.mode, board.baud, board.frame), check)
    if check in hands.REPAIRS and found.outcome != oracle.IN_VAIN:
        hands.repair(board, check, now_s)
    readings = [reading._asdict() for reading in found.readings]
    return {"check": check, "outcome": found.outcome, "readings": readings}


def _measured(setup: Setup, at: str) -> dict[str, Any]:
    """Volts at one place or ohms between two; `known` False for what this board has not, or a chip decides."""
    places = at.split()
    if len(places) not in (1, 2) or not all(map(meter.known, places)):
        return {"known": False, "value": None}
    value = meter.volts(setup, places[0]) if len(places) == 1 else meter.ohms(setup, *places)
    # JSON has no infinity: no value is an overload
    return {"known": value is not None, "value": value if value is not None and math.isfinite(value) else None}


def _port_state(value: object) -> PortState:
    try:
        return PortState(str(value))
    except ValueError as error:
        raise UsageTrouble("bench-request", "that is no state", help=f"send {', '.join(PortState)}") from error


def _frame(value: object) -> Frame:
    try:
        return Frame.parse(str(value))
    except ValueError as error:
        raise UsageTrouble("bench-request", str(error), help="send a frame such as 8E1") from error


def _baud(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 1 <= value <= 12_000_000:
        raise UsageTrouble("bench-request", "that is no line rate", help="send a number from 1 to 12000000")
    return float(value)
