"""Outcomes and exit codes are a contract with scripts (the table in README)."""

from __future__ import annotations

from console.errors import InputTrouble, Outcome, PortTrouble, Stopped, UsageTrouble, WakelineError


def test_every_outcome_has_its_exit_code() -> None:
    expected = {
        "ok": 0,
        "internal": 1,
        "usage": 2,
        "no-answer": 3,
        "refused": 4,
        "mismatch": 5,
        "port": 6,
        "input": 7,
        "stopped": 8,
    }
    assert {outcome.value: outcome.exit_code for outcome in Outcome} == expected


def test_errors_say_what_where_and_what_next() -> None:
    for kind, code in ((UsageTrouble, 2), (PortTrouble, 6), (InputTrouble, 7), (Stopped, 8), (WakelineError, 1)):
        error = kind("a-code", "what happened", where="here", note="why", help="do this", caution="hot")
        assert error.outcome.exit_code == code
        text = "\n".join(error.lines())
        for word in ("a-code", "what happened", "here", "why", "do this", "hot"):
            assert word in text
