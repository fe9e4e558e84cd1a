"""The cautions of the bench, by the kind of work. General information; local rules and qualified people come first.

Two short lines at most, at the step. Sources of each, where there is one, stand beside it; the rest is common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from console.boards.plan import CONTENT, Stage, Work

CAUTIONS: Final[Mapping[str, str]] = MappingProxyType(
    {
        # meters' manuals ask for power off in ohms; US Navy NEETS (NAVEDTRA 14186) p. 3-45 for soldering
        "S01": "Power off, unplug every cable, let capacitors discharge; then measure ohms or touch it with the iron.",
        "S01b": "One probe on ground with a clip, one hand on the other, slim tip; a slipped probe shorts two pins.",
        # Microchip, "Power through I/O"; the second half is common practice
        "S05": "Power the board before driving its signal pins. A lit LED may be phantom power.",
        "S07": "Do not unplug, reset or move the board while it is written; a laptop belongs on mains, with sleep off.",
        # UK HSE "Solderers"; MIT AeroAstro EHS "Safe soldering"; UNC EHS "Soldering safety"
        "S09": "Iron and hot air burn at once: use the stand, fume extraction on, safety glasses, board unpowered.",
        # ANSI/ESD S20.20-2021: parts are susceptible from 100 V (human body)
        "S12": "Touch ground and wear the strap before you handle the bare board, never near live mains equipment.",
        # OSHA SHIB on small lithium batteries (2019)
        "S14": "Take the cell out before any soldering; do not short, pierce or heat it.",
        # common practice, no source
        "S20": "The board's own program runs from here and drives its pins: keep away from what it switches.",
        "S18": "Set the supply's current limit low before power-up; if the current jumps, switch off and look.",
    }
)
LIVE: Final = "S01b"  # of what is measured with the power on
_BY_WORK: Final = {
    Work.INSPECT: ("S12",),
    Work.MEASURE: ("S01b",),
    Work.CONTINUITY: ("S01",),
    **dict.fromkeys(CONTENT, ("S07",)),
    Work.START: ("S20",),
}


def for_stage(stage: Stage, *, has_cell: bool) -> str:
    """The caution that belongs to a stage, "" where none does."""
    ids = _BY_WORK.get(stage.work, ())
    if stage.limits is not None and stage.work is Work.MEASURE and stage.limits.unit == "ohm":
        ids = ("S01",)
    return said(*(("S14",) if stage.hot and has_cell else ()), *(("S09",) if stage.hot else ()), *ids)


def for_repair(own: str, *, has_cell: bool) -> str:
    """The caution of work on a suspect: the suspect's own, then what holds for every iron."""
    return " ".join(filter(None, (CAUTIONS["S14"] if has_cell else "", own)))


def said(*ids: str) -> str:
    """Cautions by id as one text."""
    return " ".join(CAUTIONS[id] for id in ids)
