"""What commands that open a port know of the board behind it."""

from __future__ import annotations

import os
import pty

import pytest

from console.commands.attempt import is_simulated


@pytest.mark.parametrize(
    ("port", "known"), [("/dev/ttyUSB0", False), ("COM5", False), ("socket://127.0.0.1:4000", None)]
)
def test_only_what_is_known_of_a_port_is_said(port: str, known: bool | None) -> None:
    assert is_simulated(port) is known


def test_nobody_knows_who_is_at_the_other_end_of_a_pseudo_terminal() -> None:
    ours, theirs = pty.openpty()
    try:
        os.symlink(os.ttyname(theirs), "board")
        assert is_simulated(os.ttyname(theirs)) is None
        assert is_simulated("board") is None
    finally:
        os.close(ours)
        os.close(theirs)
