"""What a wrong identification value says: which patterns fit it exactly, what is behind them, what to check next.

Patterns and their causes are in `readback.toml`, the arithmetic in `misreads.py`. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import resources
from typing import Final

from console.boards.misreads import Bus, Misread, misreads
from console.tomlfile import parse_toml

FILE: Final = "readback.toml"
# common practice, no source
ENOUGH_READINGS: Final = 5
# patterns whose fit is not one certain value, and the buses that have them; the others come from misreads(). A UART has
# neither clock nor select, of which a reply could lose all but its first byte.
_BY_LOOK: Final[Mapping[str, frozenset[Bus]]] = {
    "first-byte-right": frozenset(Bus) - {Bus.UART},
    "not-an-id-code": frozenset({Bus.JTAG}),
    **dict.fromkeys(("changing", "other-revision", "another-known-id", "locked-or-blank"), frozenset(Bus)),
}


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern that fits the reading exactly.

    `fits` says how, in words; more than one where the value cannot tell them apart. `implicates` are roles of lines
    (data-out, clock, select, supply, ground, reset, hold, pull, mode, or "bit 3" for the line of a bit). `source` is
    where the causes come from. `share` in (0, 1]: of the wrong values that the pattern can give, each taken as likely
    as any other, those that are the one read.
    """

    id: str
    words: str
    fits: tuple[str, ...]
    causes: tuple[str, ...]
    next_check: str
    implicates: tuple[str, ...]
    caution_id: str = ""
    caution: str = ""
    source: str = ""
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Findings:
    """What several readings of one register say. Values are integers of `width` bits, the first byte on top.

    `matches`: all readings are the expected value. `stable`: all readings are equal. `ask` are the things to do
    before the patterns are trusted: more readings, a second register.
    """

    expected: int
    readings: tuple[int, ...]
    width: int
    bus: Bus
    patterns: tuple[Pattern, ...]
    stable: bool
    ask: tuple[str, ...] = field(default=())

    @property
    def matches(self) -> bool:
        """Whether every reading is the expected value."""
        return set(self.readings) == {self.expected}

    @property
    def ambiguous(self) -> bool:
        """Whether more than one pattern fits, so that this register alone cannot tell which."""
        return len(self.patterns) > 1


def read_back(
    expected: int | bytes,
    readings: Sequence[int | bytes],
    bus: str,
    width: int | None = None,
    *,
    revision_mask: int = 0,
    known: Mapping[int, str] | None = None,
    locked: Mapping[int, str] | None = None,
    registers: Mapping[str, int] | None = None,
) -> Findings:
    """Compare readings of a register with what it should hold, and name every pattern that fits exactly.

    `width` in bits, 1 to 128; it may be left out where `expected` is bytes. `bus` is spi, i2c, uart, jtag or parallel.
    `revision_mask` marks the bits that hold a revision. `known` names the values of other parts, `locked` those of a
    blank or protected part. `registers` are further registers of the part with their values: where several patterns
    fit, `ask` names the first of them that tells the patterns apart. Raises ValueError for an unknown bus, a width out
    of range, no reading, or a value that does not fit the width.
    """
    way = Bus(bus)
    if width is None:
        if isinstance(expected, int):
            raise ValueError("an integer needs its width in bits")
        width = len(expected) * 8
    ways = misreads(width, way)
    right = _as_int(expected, width)
    values = tuple(_as_int(value, width) for value in readings)
    if not values:
        raise ValueError("no reading")
    wrong = {value for value in values if value != right}
    stable = len(set(values)) == 1
    fitting = [misread for misread in ways if wrong and all(misread.reads(right, width) == value for value in wrong)]
    fits: dict[str, list[str]] = {}
    shares: dict[str, float] = {}
    if not stable:
        hits = values.count(right)
        fits["changing"] = [f"{len(set(values))} different values in {len(values)} readings, {hits} of them right"]
    could = Counter(misread.pattern for misread in ways if misread.reads(right, width) != right)
    for misread in fitting:
        fits.setdefault(misread.pattern, []).append(misread.fit)
        shares[misread.pattern] = len(fits[misread.pattern]) / could[misread.pattern]
    for value in wrong if len(wrong) == 1 else ():
        for name, (words, share) in _by_look(right, value, width, revision_mask, known or {}, locked or {}).items():
            if way in _BY_LOOK[name]:
                fits[name], shares[name] = [words], share
    patterns = tuple(
        _explained(name, tuple(words), way, fitting, shares.get(name, 1.0)) for name, words in fits.items()
    )
    ask = _ask(patterns, len(values), stable, fitting, registers or {}, width) if wrong else ()
    return Findings(right, values, width, way, patterns, stable, ask)


def narrow(first: Findings, second: Findings) -> Findings:
    """`first` without the fits that a second register of the same part contradicts.

    Only fits that say what the second register would read can be contradicted; the others stay. Nothing is dropped on
    the word of readings that change. The second register may be of another width.
    """
    if not second.stable:
        return first
    value = second.readings[0]
    would_read = {(m.pattern, m.fit): m.reads(second.expected, second.width) for m in misreads(second.width, first.bus)}
    kept = []
    for pattern in first.patterns:
        fits = tuple(fit for fit in pattern.fits if would_read.get((pattern.id, fit), value) == value)
        if fits:
            kept.append(replace(pattern, fits=fits))
    ask = first.ask if len(kept) > 1 else ()
    return replace(first, patterns=tuple(kept), ask=ask)


def _as_int(value: int | bytes, width: int) -> int:
    if isinstance(value, bytes):
        if len(value) * 8 != width:
            raise ValueError(f"{len(value)} bytes are not {width} bits")
        return int.from_bytes(value, "big")
    if not 0 <= value < 1 << width:
        raise ValueError(f"{value:#x} does not fit {width} bits")
    return value


def _by_look(
    right: int, value: int, width: int, revision_mask: int, known: Mapping[int, str], locked: Mapping[int, str]
) -> dict[str, tuple[str, float]]:
    """The patterns that say how a value looks rather than what exactly it must be, each with its fit and share."""
    fits: dict[str, tuple[str, float]] = {}
    if width % 8 == 0 and width > 8:
        pairs = list(zip(right.to_bytes(width // 8, "big"), value.to_bytes(width // 8, "big"), strict=True))
        if pairs[0][0] == pairs[0][1] and all(a != b for a, b in pairs[1:]):
            fits["first-byte-right"] = (
                f"{pairs[0][0]:02X} is right, all that follows is wrong",
                255.0 ** -len(pairs[1:]),
            )
    if not (right ^ value) & ~revision_mask:
        fits["other-revision"] = "only bits of the revision differ", 1 / (2 ** revision_mask.bit_count() - 1)
    if value in known:
        fits["another-known-id"] = f"the value of {known[value]}", 1 / len(known.keys() - {right})
    if value in locked:
        fits["locked-or-blank"] = f"the value of {locked[value]}", 1 / len(locked.keys() - {right})
    if not value & 1:
        fits["not-an-id-code"] = "bit 0 is 0", 2.0 ** (1 - width)
    return fits


def _ask(
    patterns: Sequence[Pattern],
    count: int,
    stable: bool,
    fitting: Sequence[Misread],
    registers: Mapping[str, int],
    width: int,
) -> tuple[str, ...]:
    out = []
    if stable and count < ENOUGH_READINGS:
        out.append(f"read it {ENOUGH_READINGS} times: a value that changes means something else")
    if stable and len(patterns) > 1:
        out.append(_second_register(fitting, registers, width))
    elif not patterns:
        out.append("no known pattern fits; read a second register whose value is known and compare")
    return tuple(out)


def _second_register(fitting: Sequence[Misread], registers: Mapping[str, int], width: int) -> str:
    """Words that ask for a second register: the first one in which the fitting patterns read differently."""
    patterns = {misread.pattern for misread in fitting}
    for name, value in registers.items() if len(patterns) > 1 else ():
        if 0 <= value < 1 << width:
            reads = {(misread.pattern, misread.reads(value, width)) for misread in fitting}
            if len({read for _, read in reads}) == len(reads):
                return f"read {name} too, which should be 0x{value:0{(width + 3) // 4}X}: it tells these patterns apart"
    return "read a second register whose value is known: this one alone cannot tell these patterns apart"


def _explained(name: str, fits: tuple[str, ...], bus: Bus, fitting: Sequence[Misread], share: float) -> Pattern:
    pattern = explanations()[name, bus]
    bits = sorted({bit for misread in fitting if misread.pattern == name for bit in misread.bits})
    roles: list[str] = []
    for role in pattern.implicates:
        roles += [f"bit {bit}" for bit in bits] if role == "bits" else [role]
    return replace(pattern, fits=fits, implicates=tuple(roles), share=share)


@cache
def explanations() -> Mapping[tuple[str, Bus], Pattern]:
    """The packaged explanation for each pattern and bus, without fits. Raises InputTrouble."""
    return parse_explanations(resources.files("console.boards").joinpath(FILE).read_text(encoding="utf-8"))


def parse_explanations(text: str, file: str = FILE) -> Mapping[tuple[str, Bus], Pattern]:
    """Explanations from TOML text. Raises InputTrouble that names file, line and key."""
    top = parse_toml(text, file, "readback")
    out: dict[tuple[str, Bus], Pattern] = {}
    for entry in top.tables("pattern"):
        pattern = Pattern(
            id=entry.text("id"),
            words=entry.text("title"),
            fits=(),
            causes=entry.texts("causes"),
            next_check=entry.text("next_check"),
            implicates=entry.texts("implicates"),
            caution_id=entry.text("caution_id") if "caution_id" in entry.data else "",
            caution=entry.text("caution") if "caution" in entry.data else "",
            source=entry.text("source"),
        )
        for name in entry.texts("bus", tuple(Bus)):
            if name not in tuple(Bus):
                entry.wrong("bus", name, f"one of {[bus.value for bus in Bus]}")
            if (pattern.id, Bus(name)) in out:
                entry.wrong("bus", name, "a bus that no other entry of this pattern has")
            out[pattern.id, Bus(name)] = pattern
    for bus in Bus:
        for needed in {misread.pattern for misread in misreads(32, bus)} | set(_BY_LOOK):
            if (needed, bus) not in out and bus in _BY_LOOK.get(needed, Bus):
                top.wrong("pattern", sorted({name for name, _ in out}), f"a [[pattern]] {needed!r} for the bus {bus}")
    return out
