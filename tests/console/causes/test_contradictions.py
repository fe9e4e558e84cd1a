"""Answers that do not go together are named; answers that two causes explain are not."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from console.causes.contradictions import contradictions
from console.causes.evidence import Evidence

Make = Callable[..., Evidence]


# which readings exclude each other follows from the circuit: reasoned, common practice, no source
@pytest.mark.parametrize(
    ("checks", "words"),
    [
        # a chip without its supply cannot hold its TX near the rail
        ((("K08", "out-of-range"), ("K09", "near-rail")), ("supply at the chip", "TX pin")),
        # one loopback passes and the same adapter's other one does not
        ((("K02", "echoes"), ("K03", "nothing")), ("at the adapter", "far end")),
        # a TX line at ground cannot be free of a short
        ((("K09", "low"), ("K08", "in-range"), ("K19", "no-short"), ("K24", "normal")), ()),
    ],
)
def test_which_two(checks: tuple[tuple[str, str], ...], words: tuple[str, ...], seen: Make) -> None:
    found = contradictions(seen("silence", checks=checks))
    if not words:
        assert found == ()
        return
    assert words[0] in found[0].first
    assert words[1] in found[0].second
    assert found[0].share < 0.12


@pytest.mark.parametrize(
    "checks",
    [
        (),
        (("K02", "echoes"), ("K08", "in-range"), ("K15", "boot-level")),
        (("K08", "out-of-range"), ("K15", "other-level")),  # two causes
        (("K15", "other-level"), ("K12", "header-only")),  # two causes
        (("K05", "silent"), ("K13", "silent"), ("K16", "silent")),
    ],
)
def test_what_goes_together(checks: tuple[tuple[str, str], ...], seen: Make) -> None:
    assert contradictions(seen("silence", checks=checks)) == ()


@pytest.mark.parametrize(
    "codes",
    [
        ("garbage", "errors"),
        ("low", "errors"),
        ("echo", "errors"),
        ("ack", "nack"),
        ("ack", "errors"),
        ("ack", "get-answered", "nack", "read-refused", "identified"),
    ],
)
def test_what_one_attempt_shows_goes_together(codes: tuple[str, ...], seen: Make) -> None:
    assert contradictions(seen(*codes)) == ()


def test_a_board_that_acknowledges_has_power(seen: Make) -> None:
    (found,) = contradictions(seen("ack", checks=(("K08", "out-of-range"),)))
    assert found.first == "ack"
    assert found.second.endswith("out-of-range")
