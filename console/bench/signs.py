"""Whether what is staged shows anywhere: in a reading, at the port, in an answer, to the eyes. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from itertools import combinations
from typing import Any, Final

from console.bench import meter, supplies, tern
from console.bench.consequences import boots, wired
from console.bench.logger import Logger
from console.bench.scenes import fault, with_fault
from console.bench.setup import Setup

NOTHING: Final = "changes nothing that a stage can see"
_QUERIES: Final = ("id fpga?", "id memory?", "id clock?", "temperature?")
_RAILS: Final = tuple(supplies.RESTING_OHM)


def unseen(setup: Setup, faults: Iterable[str], watched: Collection[str] = tern.WATCHED) -> Iterator[str]:
    """Those of the faults, staged one after the other, that leave the board as good or as bad as it was.

    `watched` are the parts that somebody looks at to see whether they do what they are there for. Raises UsageTrouble
    for what cannot be staged.
    """
    for name in faults:
        before, setup = setup, with_fault(setup, fault(name))
        # what comes and goes shows in one of several readings
        times = 8 if setup.joints.shaky else 1
        if before.joints != setup.joints and _signs(before, watched, times) == _signs(setup, watched, times):
            yield name


def _signs(setup: Setup, watched: Collection[str], times: int) -> tuple[Any, ...]:
    logger, pairs = Logger(setup.joints), combinations((*_RAILS, tern.GROUND), 2)
    return (
        setup.flaws,
        setup.line_flaws,
        wired(setup),
        boots(setup),
        [supplies.volts(setup.joints, setup.wiring.board_v)[rail] > 0.05 for rail in _RAILS],
        [meter.ohms(setup, *pair) < supplies.SHORT_OHM for pair in pairs],
        [meter.does(setup, part) for part in sorted(watched)],
        [logger.answer(query) for _ in range(times) for query in _QUERIES],
    )
