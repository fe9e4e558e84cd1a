"""The words for a suspect: what it is called, why it is one, how to look at it. Names from a netlist are made safe."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from console.boards.circuit import Pin
from console.boards.faults import Fault, Kind
from console.boards.stagerun import Board, StageRun
from console.text import clean
from console.words import count_of

_NAMED = 4  # places named in one reason
_SURELY = 0.5  # a need from here on is stated without "perhaps"


def title(fault: Fault) -> str:
    """The suspect in a few words."""
    if fault.kind is Kind.RAIL:
        return f"{clean(fault.net)}: {fault.defect.title}"
    if not fault.pins:
        return f"{clean(fault.part)}: {fault.defect.title}"
    return f"{' to '.join(map(_pin, fault.pins))}: {fault.defect.title}"


def why(fault: Fault, needs: Sequence[float], runs: Sequence[StageRun], alike: Sequence[Fault] = ()) -> tuple[str, ...]:
    """What speaks for it and what against, failed stages first, how such faults come about, and from which others no
    stage tells it (`alike`)."""
    out = []
    surely, perhaps = ("reads which part it is",) * 2 if fault.kind is Kind.OTHER else ("needs it", "may need it")
    for run, need in zip(runs, needs, strict=True):
        if run.passed:
            continue
        name = clean(run.name)
        if not need:
            out.append(f"against: {name} failed and does not need it")
        else:
            out.append(f"{name} failed and {surely if need >= _SURELY else perhaps}")
            if run.evidence is not None:
                fit = fault.fit(run.evidence)
                word = "fits" if fit > run.evidence.otherwise else "does not point here"
                out.append(f"{clean(run.evidence.says)} at {name} {word}")
    for run, need in zip(runs, needs, strict=True):
        if run.passed and need:
            out.append(f"against: {clean(run.name)} passed and {surely if need >= _SURELY else perhaps}")
    return (*out, *filter(None, (fault.past,)), f"known: {fault.defect.reason}", *_not_told_apart(fault, alike))


def _not_told_apart(fault: Fault, alike: Sequence[Fault]) -> Iterator[str]:
    """The faults that only looking tells from this one: those at its part by name, of the others how many."""
    here = [_place(other) for other in alike if other.part == fault.part]
    named = here if len(here) <= _NAMED else [*here[: _NAMED - 1], f"{len(here) - _NAMED + 1} more there"]
    elsewhere = len(alike) - len(here)
    if elsewhere:
        named.append(f"{count_of(elsewhere, 'place')} elsewhere")
    if named:
        yield f"no stage that ran tells it from {', '.join(named)}; only looking does"


def _place(fault: Fault) -> str:
    """A fault by its pins, its supply, or what is wrong with its part."""
    return " to ".join(map(_pin, fault.pins)) or (clean(fault.net) if fault.net else f"{clean(fault.part)} itself")


def how_to_look(board: Board, fault: Fault) -> str:
    """How to find out, with the places to put the probes."""
    if fault.kind is Kind.BRIDGE:
        one, other = fault.pins
        return f"{fault.defect.look} ({clean(one.net)} and {clean(other.net)})"
    if fault.kind is Kind.OPEN:
        far = _far_end(board, fault.pins[0])
        return fault.defect.look + (f" (net {clean(far.net)}, next met at {_pin(far)})" if far else "")
    return fault.defect.look


def part_why(board: Board, part: str, runs: Sequence[StageRun], used: Sequence[bool], first: str) -> tuple[str, ...]:
    """Why a part is visited: the stages that stopped at it, those that passed with it, its nets to the first part."""
    failed = [clean(run.name) for run, uses in zip(runs, used, strict=True) if uses and not run.passed]
    passed = [clean(run.name) for run, uses in zip(runs, used, strict=True) if uses and run.passed]
    out = [f"failed with it: {', '.join(failed)}"] if failed else ["joints of it are on nets that a failed stage needs"]
    if passed:
        out.append(f"passed with it: {', '.join(passed)}")
    nets = shared_nets(board, part, first)
    if nets:
        out.append(f"follow {', '.join(map(clean, nets[:6]))}{' …' if len(nets) > 6 else ''} from {clean(first)}")
    return tuple(out)


def shared_nets(board: Board, part: str, first: str) -> tuple[str, ...]:
    """The signal nets that two different parts share, in the order of the pins of `first`."""
    if part == first:
        return ()
    here = {pin.net for pin in board.signals(part)}
    return tuple(dict.fromkeys(pin.net for pin in board.signals(first) if pin.net in here))


def _far_end(board: Board, pin: Pin) -> Pin | None:
    """Another pin on the same net, the nearest where places are known."""
    others = [other for other in board.circuit.nets[pin.net] if other.part != pin.part]

    def distance(other: Pin) -> float:
        here, there = pin.place, other.place
        return abs(here[0] - there[0]) + abs(here[1] - there[1]) if here and there else 0.0

    return min(others, key=distance, default=None)


def _pin(pin: Pin) -> str:
    return clean(pin.ref)
