"""What a person measured at the supply, as a step of a plan; refused where it cannot be told or is no range. Pure."""

from __future__ import annotations

from console.errors import UsageTrouble
from console.programming.chips import Chip
from console.programming.plan import SupplyStep
from protocols.programmer import Programmer


def supply_step(volts: float, chip: Chip, programmer: Programmer) -> SupplyStep:
    """The statement of a supply of `volts`. Raises UsageTrouble `supply` where the loader has no place for one, and for
    a voltage outside every range that it can be told."""
    if not programmer.supplies:
        raise UsageTrouble(
            "supply",
            f"the loader of {chip.name} has no place to state the supply voltage",
            note="nothing was erased or written",
            help="leave --supply-volts out",
        )
    for known in programmer.supplies:
        if known.holds(volts):
            return SupplyStep(volts, known)
    ranges = " or ".join(f"{known.least_v:g} to {known.most_v:g} V" for known in programmer.supplies)
    raise UsageTrouble(
        "supply",
        f"a supply of {volts:g} V cannot be stated to the loader of {chip.name}: only {ranges}",
        note="nothing was erased or written; told nothing since its reset, it works 8 bits at a time, and every supply "
        "allows that",
        help="measure at the chip's supply pin; leave --supply-volts out for another supply",
    )
