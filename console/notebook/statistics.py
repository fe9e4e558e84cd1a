"""What the boards together say: yield, times against the sisters, similar cases, learned priors. Pure.

Small numbers are the rule here, so every share comes with its count, and every yield with its interval.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, median
from typing import Final

from console.boards.defects import defects
from console.boards.past import Mended, Past
from console.causes.learning import backed_off, independent, learned_chance, learned_priors
from console.errors import Outcome
from console.notebook.entry import BY_TOOL, Fix
from console.notebook.history import UNKNOWN, BoardRun, Case, Confirmed, Design, StageTime
from console.shares import Rate, wilson

FEWEST_SISTERS: Final = 5  # below that a median says nothing about the odd one out: common practice, no source
# Iglewicz and Hoaglin (1993), as in the NIST/SEMATECH e-Handbook s.1.3.5.17: 0.6745 (x - median) / MAD, outlier
# above 3.5; where the MAD is 0, (x - median) / (1.253314 mean absolute deviation) (all from memory)
ODD_FROM: Final = 3.5
_MAD_SHARE: Final = 0.6745
_MEAN_FACTOR: Final = 1.253314


@dataclass(frozen=True, slots=True)
class Times:
    """One stage at one rate: how many boards, the median, and the median absolute deviation, in seconds."""

    stage: str
    baud: int
    boards: int
    median_s: float
    mad_s: float


@dataclass(frozen=True, slots=True)
class Against:
    """One board's stage against its sisters, itself left out. `z` is None below five sisters; `odd` from 3.5 on."""

    stage: str
    baud: int
    elapsed_s: float
    sisters: int
    median_s: float | None
    z: float | None

    @property
    def odd(self) -> bool:
        """Whether it stands out."""
        return self.z is not None and abs(self.z) > ODD_FROM


@dataclass(frozen=True, slots=True)
class Similar:
    """Boards that stopped at the same stage with the same observations.

    `fixed_at` counts boards per place (a part, else a cause id), most often first, of `fixed` boards with a confirmed
    fix; `unsolved` have none.
    """

    fixed_at: tuple[tuple[str, int], ...]
    fixed: int
    unsolved: int


@dataclass(frozen=True, slots=True)
class Shrunk:
    """A cause's prior: the table's, the bench's bare share (None without any fix), and what is used. 0..1.

    `confirmed` counts all fixes, `own` those of the design that is asked for.
    """

    cause: str
    table: float
    confirmed: float
    share: float | None
    used: float
    own: float = 0.0


@dataclass(frozen=True, slots=True)
class Place:
    """A place of a design: on how many of its boards it was confirmed bad, the chance that the table gives such a
    place, and what is used of both."""

    part: str
    joint: str
    rate: Rate
    table: float
    used: float

    @property
    def words(self) -> str:
        """As ``U6 joint 2``."""
        return Fix(part=self.part, joint=self.joint).place


def first_pass(runs: Iterable[BoardRun]) -> Rate:
    """Boards whose very first attempt passed, of the boards that were started."""
    firsts = [run.first for run in runs]
    return wilson(firsts.count(Outcome.OK), len(firsts))


def in_the_end(runs: Iterable[BoardRun]) -> Rate:
    """Boards whose latest session passed, of the boards that were started."""
    lasts = [run.last for run in runs]
    return wilson(lasts.count(Outcome.OK), len(lasts))


def robust_z(value: float, others: Sequence[float]) -> float:
    """How far `value` lies from the median of `others` in robust standard deviations; infinite where all are equal."""
    middle = median(others)
    mad = median(abs(x - middle) for x in others)
    scale = mad / _MAD_SHARE if mad > 0 else _MEAN_FACTOR * fmean(abs(x - middle) for x in others)
    if scale == 0:
        return 0.0 if value == middle else math.copysign(math.inf, value - middle)
    return (value - middle) / scale


def times(rows: Iterable[StageTime]) -> tuple[Times, ...]:
    """Every stage at every rate, in the order of first appearance."""
    groups: dict[tuple[str, int], list[float]] = {}
    for row in rows:
        groups.setdefault((row.stage, row.baud), []).append(row.elapsed_s)
    out = []
    for (stage, baud), values in groups.items():
        middle = median(values)
        out.append(Times(stage, baud, len(values), middle, median(abs(x - middle) for x in values)))
    return tuple(out)


def against(board: str, rows: Sequence[StageTime]) -> tuple[Against, ...]:
    """This board's stages against those of its sisters at the same rate."""
    out = []
    for row in rows:
        if row.board != board:
            continue
        sisters = [r.elapsed_s for r in rows if r.board != board and (r.stage, r.baud) == (row.stage, row.baud)]
        enough = len(sisters) >= FEWEST_SISTERS
        middle = median(sisters) if sisters else None
        z = robust_z(row.elapsed_s, sisters) if enough else None
        out.append(Against(row.stage, row.baud, row.elapsed_s, len(sisters), middle, z))
    return tuple(out)


def similar(
    stopped_at: str, codes: frozenset[str], cases: Iterable[Case], *, without: int = 0, design: Design = UNKNOWN
) -> Similar:
    """What fixed the boards that failed like this, each board once per place; `without` is the session that asks.

    A part has its name only within its design: of a board of another `design` only the cause counts.
    """
    places: dict[str, set[str]] = {}
    fixed: set[str] = set()
    unsolved: set[str] = set()
    for case in cases:
        if case.session == without or (case.stopped_at, case.codes) != (stopped_at, codes):
            continue
        who = case.board or f"session {case.session}"
        sister = design.name == case.design.name
        if case.fix and not (sister or case.fix.cause):
            continue
        place = (case.fix.part if sister else "") or case.fix.cause if case.fix else ""
        if place:
            places.setdefault(place, set()).add(who)
            fixed.add(who)
        else:
            unsolved.add(who)
    counts = sorted(((place, len(who)) for place, who in places.items()), key=lambda item: (-item[1], item[0]))
    return Similar(tuple(counts), len(fixed), len(unsolved - fixed))


def cause_counts(fixes: Iterable[Confirmed]) -> Counter[str]:
    """Confirmed fixes by cause id."""
    return Counter(one.fix.cause for one in fixes if one.fix.cause)


def priors_for(table: Mapping[str, float], fixes: Sequence[Confirmed], design: Design) -> dict[str, float]:
    """Priors for a board of this design: its own fixes lean on those of all other designs (the iron is the same), and
    those lean on the table. Boards whose design nobody said are taken to be of one design."""
    total = sum(table.values())
    pooled: dict[str, float] = {}
    for other in {one.design for one in fixes} - {design}:
        for cause, count in cause_counts(one for one in fixes if one.design == other).items():
            if cause in table:
                pooled[cause] = pooled.get(cause, 0.0) + independent(count, table[cause] / total)
    return backed_off(cause_counts(one for one in fixes if one.design == design), learned_priors(table, pooled))


def shrinkage(table: Mapping[str, float], fixes: Sequence[Confirmed], design: Design = UNKNOWN) -> tuple[Shrunk, ...]:
    """How confirmed fixes move the table's priors, most used first (see `priors_for`)."""
    counts, total = cause_counts(fixes), sum(table.values())
    own = cause_counts(one for one in fixes if one.design == design)
    seen = sum(counts.get(cause, 0.0) for cause in table)
    used = priors_for(table, fixes, design)
    rows = [
        Shrunk(
            cause,
            prior / total,
            counts.get(cause, 0.0),
            counts.get(cause, 0.0) / seen if seen else None,
            used[cause],
            own.get(cause, 0.0),
        )
        for cause, prior in table.items()
    ]
    return tuple(sorted(rows, key=lambda row: (-row.used, row.cause)))


def designs(runs: Iterable[BoardRun]) -> dict[Design, int]:
    """Every known design with the number of its boards that were tried, in the order of their names."""
    counts = Counter(run.design for run in runs if run.design.name)
    return dict(sorted(counts.items(), key=lambda item: (item[0].name, item[0].revision)))


def past_of(design: Design, runs: Sequence[BoardRun], fixes: Sequence[Confirmed]) -> Past:
    """What a design's boards tell about its places: those of this revision, and those of any revision."""
    family = [one for one in fixes if design.name and one.design.name == design.name]
    boards = sum(run.design.name == design.name for run in runs) if design.name else 0
    own = sum(run.design == design for run in runs) if design.name else 0
    return Past(
        own,
        tuple(_mended(one) for one in family if one.design == design and one.fix.part),
        boards,
        tuple(_mended(one) for one in family if one.fix.part),
    )


def places(design: Design, runs: Sequence[BoardRun], fixes: Sequence[Confirmed]) -> tuple[Place, ...]:
    """The places of a design that were fixed, most often first. Without the netlist a joint is taken for one of fine
    pitch, two joints for a bridge of fine pitch, none for the chip itself."""
    past, table = past_of(design, runs, fixes), defects()
    counts = Counter((one.part, one.joint) for one in past.here)
    out = []
    for (part, joint), hits in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        kind = "part-chip" if not joint else "bridge-fine" if " to " in joint else "open-fine"
        start = table.kinds[kind].rate
        rate = wilson(hits, max(hits, past.boards))
        out.append(Place(part, joint, rate, start, learned_chance(start, hits, rate.of, table.place_worth)))
    return tuple(out)


def _mended(one: Confirmed) -> Mended:
    return Mended(one.fix.part, one.fix.joint, sure=one.fix.by == BY_TOOL)
