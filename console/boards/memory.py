"""Memory of a chip that does not take what is written, though all else of it works: no joint explains that. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from console.boards.faults import Fault, Kind
from console.boards.spectrum import spectrum
from console.boards.stagerun import Board
from console.boards.suspects import Group, Suspect, Suspects
from console.text import clean

# P(the chip's own memory is bad | bits stay wrong after erasing and writing again, and read alike): what is left is a
# supply that sags while it is written; common practice, no source
_ITS_OWN: Final = 0.9


def bad_memory(board: Board, faults: Sequence[Fault], ref: str, stage: str) -> Suspects:
    """The chip `ref` as the one suspect after `stage`; none where the table of faults does not know that part."""
    fault = next((one for one in faults if one.kind is Kind.PART and one.part == ref), None)
    if fault is None:
        return Suspects((), 1.0)
    part = board.part(ref)
    item = Suspect(
        fault.key,
        Kind.PART,
        f"{clean(ref)}: its memory does not take what is written",
        (),
        _ITS_OWN,
        part.inspect_min + part.reflow_min,
        (f"{clean(stage)} failed: bits stay wrong after erasing and writing again, and read alike each time",
         "against joints: the chip answers, and took the rest"),
        "measure the supply at its own pins; where that is right, switch off and change the chip",
        fault.defect.caution_id,
        fault.defect.caution,
    )  # fmt: skip
    count = spectrum([(False, True)])
    return Suspects((Group(ref, (), (item,), _ITS_OWN, item.minutes, (), count),), 1 - _ITS_OWN, fewest=1)
