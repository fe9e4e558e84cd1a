"""The notebook in words: lists, one session, statistics; the same on the screens and in text. Pure.

Shares from few boards mislead, so a count always stands beside or instead of a percentage.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from console.causes.catalogue import OTHER, catalogue
from console.deeds import Deed
from console.errors import Outcome
from console.notebook.history import BoardRun, Detail, SessionRow, Shown
from console.notebook.plan_story import LOOKED, MENDED
from console.notebook.statistics import Against, Place, Shrunk, Similar, Times, first_pass, in_the_end
from console.shares import Bar, share_words
from console.words import count_of, measure, percent, seconds, setting

NO_NAME: Final = "(no name)"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MOST_PLACES: Final = 3
_CHANGED: Final = "its unique id is another one in other sessions: was the chip replaced, or is it another board?"
_MOST_PRIORS: Final = 8


def when(ns: int) -> str:
    """A moment (64 bit nanoseconds) as ``2026-03-14 10:15`` UTC."""
    return (_EPOCH + timedelta(microseconds=ns // 1000)).strftime("%Y-%m-%d %H:%M")


def cause_title(cause: str) -> str:
    """A cause's words where the catalogue has it, else the id itself."""
    return catalogue().title(cause) if cause == OTHER or cause in catalogue().causes else cause


def result(row: SessionRow) -> str:
    """How a session went, in at most 23 columns."""
    if row.first_outcome is Outcome.OK and row.outcome is Outcome.OK:
        return "✓ passed at once"
    if row.outcome is Outcome.OK:
        return "✓ passed after a fix" if row.fix_cause or row.fix_place else "✓ passed in the end"
    return f"✗ {row.outcome.value}" + (f" at {row.stopped_at}" if row.stopped_at else "")


def what(row: SessionRow) -> str:
    """What was wrong, as far as it is known."""
    if row.fix_cause or row.fix_place:
        return " ".join(part for part in (row.fix_place, row.fix_cause) if part)
    return f"{row.suspect}?" if row.suspect else ""


def row_line(row: SessionRow) -> str:
    """One session as a line of a list."""
    mark = "~" if row.simulated else " "
    return (
        f"{row.id:>5}{mark} {when(row.started_ns)}  {row.board or NO_NAME:<16} {result(row):<23} {what(row)}".rstrip()
    )


_OF_PLAN: Final = {"check": "stage", LOOKED: "looked at"}
_BY_ITSELF: Final = {"finding": "tested", "settings": "next"}
HEAD: Final = f"{'no.':>5}  {'when (UTC)':<16}  {'board':<16} {'result':<23} what was wrong (? suspected)"


def detail_lines(found: Detail, like: Similar | None = None) -> list[str]:
    """Everything about one session; `like` are the boards that failed like it."""
    row = found.row
    out = [f"session {row.id}: {result(row)}" + (" (simulated board)" if row.simulated else "")]
    built = f", {found.design.words}" if found.design.name else ""
    revision = f", revision {found.design.revision}" if found.design.revision and not built else ""
    out.append(f"board: {row.board or NO_NAME}{built}{revision}")
    out.append(f"read from the chip: {_chip(row.product_id, found.unique_id) or 'nothing in this session'}")
    out += _known(found)
    out += twin_lines(row.board, found.twins)
    told = ", ".join(f"{name} {setting(value)}" for name, value in found.settings if name != "port")
    out.append(f"begun: {when(row.started_ns)} UTC on {row.port}" + (f" ({told})" if told else ""))
    if found.capture:
        out.append(f"capture: {found.capture}")
        out.append(f"  SHA-256 {found.capture_sha256 or 'not known: the file could not be read'}")
    out.append(f"wakeline: {found.tool_version}")
    out += _attempts(found)
    for one in found.fixes:
        out += ["", "what fixed it:" if one.confirmed else "what fixed it (not confirmed):"]
        title = cause_title(one.fix.cause) if one.fix.cause else ""
        out += [f"  {title}  [{one.fix.cause}]"] if title else []
        out += [f"  at: {one.fix.place}"] if one.fix.place else []
        out += [f"  note: {one.fix.note}"] if one.fix.note else []
        out += [f"  photo: {photo}" for photo in one.fix.photos]
        out.append(f"  noted by {one.fix.by}, {when(one.noted_ns)} UTC")
    if like is not None and (like.fixed or like.unsolved):
        out += ["", *similar_lines(like, row.stopped_at)]
    return out


def _chip(product_id: int | None, unique_id: str) -> str:
    product = f"product id 0x{product_id:03X}" if product_id is not None else ""
    return ", ".join(filter(None, (product, f"unique id {unique_id}" if unique_id else "")))


def _known(found: Detail) -> list[str]:
    """What other sessions of this board knew that this one did not, or knew otherwise."""
    row, known, out = found.row, found.known, []
    if known.design.name not in ("", found.design.name):
        out.append(f"built to {known.design.words}")
    elif known.design.revision not in ("", found.design.revision):
        out.append(f"revision {known.design.revision}")
    product = known.product_id if known.product_id != row.product_id else None
    out.append(_chip(product, known.unique_id if known.unique_id != found.unique_id else ""))
    told = ", ".join(filter(None, out))
    changed = found.unique_id and known.unique_id not in ("", found.unique_id)
    return [f"known of this board from other sessions: {told}"] * bool(told) + [_CHANGED] * bool(changed)


def twin_lines(board: str, twins: Sequence[str]) -> list[str]:
    """That the chip was met under another name; no lines where it was not."""
    if not twins:
        return []
    return [
        f"this chip's unique id was read as {', '.join(twins)} too: is {board or 'this'} the same board under another "
        "name, or did its chip move? Each name counts as a board of its own"
    ]


def similar_lines(like: Similar, stopped_at: str) -> list[str]:
    """What fixed the boards that failed like this, in counts."""
    where = f"that stopped at {stopped_at} with the same reading" if stopped_at else "that failed like this"
    out = []
    for place, count in like.fixed_at[:_MOST_PLACES]:
        how = f": {cause_title(place)}" if cause_title(place) != place else f" at {place}"
        out.append(f"{count} of {count_of(like.fixed, 'board')} {where} {_were(count)} fixed{how}")
    if like.unsolved:
        have = "has" if like.unsolved == 1 else "have"
        more = "more " if out else ""
        out.append(f"{count_of(like.unsolved, f'{more}board')} {where} {have} no confirmed fix")
    return out


def yield_lines(runs: Sequence[BoardRun]) -> list[str]:
    """How the boards went."""
    if not runs:
        return ["no named board was tried yet (simulated ones do not count)"]
    return [f"first pass: {share_words(first_pass(runs))}", f"in the end: {share_words(in_the_end(runs))}"]


def pareto_lines(bars: Iterable[Bar], titled: bool = False) -> list[str]:
    """A Pareto table; each row says how many of all."""
    out = []
    for bar in bars:
        name = f"{cause_title(bar.name)}  [{bar.name}]" if titled else bar.name
        out.append(f"  {share_words(bar.rate):<46} {name}")
    return out


def times_lines(table: Iterable[Times]) -> list[str]:
    """Median stage times over the boards."""
    return [
        f"  {one.stage:<12} {one.baud or '?':>7} baud  median {seconds(one.median_s)}, "
        f"median deviation {seconds(one.mad_s)}, {count_of(one.boards, 'board')}"
        for one in table
    ]


def against_line(one: Against) -> str:
    """One stage of one board against its sisters."""
    head = f"{one.stage} took {seconds(one.elapsed_s)}"
    if one.median_s is None:
        return f"{head}; no sister to compare with"
    where = f"median of {count_of(one.sisters, 'sister')} {seconds(one.median_s)}"
    if one.z is None:
        return f"{head}; {where}: too few to judge"
    size = "far off" if math.isinf(one.z) else f"robust z {one.z:+.1f}"
    return f"{'▲ ' if one.odd else ''}{head}; {where}: {size}{', stands out' if one.odd else ''}"


def prior_lines(rows: Sequence[Shrunk]) -> list[str]:
    """How the bench's fixes move the table's priors; those with fixes first, then the largest."""
    told = sorted(rows, key=lambda row: (row.confirmed == 0, -row.used))
    few = [row for row in told if row.confirmed] + [row for row in told if not row.confirmed][:_MOST_PRIORS]
    out = [f"  {'table':>6} {'fixes':>6} {'alone':>6} {'used':>6}  cause"]
    for row in few[: max(_MOST_PRIORS, sum(row.confirmed > 0 for row in rows))]:
        share = "-" if row.share is None else percent(row.share) if row.confirmed else "0"
        out.append(f"  {percent(row.table):>6} {row.confirmed:>6g} {share:>6} {percent(row.used):>6}  {row.cause}")
    return out


def design_prior_lines(rows: Sequence[Shrunk]) -> list[str]:
    """How a design's own fixes move what all other boards say; only causes that were ever fixed."""
    out = [f"  {'table':>6} {'others':>6} {'here':>6} {'used':>6}  cause"]
    for row in sorted(rows, key=lambda row: (-row.own, -row.used)):
        if row.confirmed:
            others = row.confirmed - row.own
            out.append(f"  {percent(row.table):>6} {others:>6g} {row.own:>6g} {percent(row.used):>6}  {row.cause}")
    return out


def place_lines(places: Sequence[Place]) -> list[str]:
    """The places of a design that were fixed, each with how often a board has it bad: counted, and as it is used."""
    out = [f"  {'fixes':>6} {'alone':>7} {'table':>7} {'used':>7}  place"]
    for one in places:
        shares = (one.rate.share, one.table, one.used)
        out.append(f"  {one.rate.hits:>6} " + " ".join(f"{100 * share:>5.1f} %" for share in shares) + f"  {one.words}")
    return out


def _attempts(found: Detail) -> list[str]:
    out: list[str] = []
    shown = {one.attempt: one for one in found.shown}
    numbers = sorted({stage.attempt for stage in found.stages} | shown.keys() | {deed.attempt for deed in found.deeds})
    for n in numbers:
        out += ["", f"attempt {n}:"]
        for stage in (stage for stage in found.stages if stage.attempt == n):
            word = stage.outcome.value if stage.outcome else "cut off"
            out.append(f"  {stage.name:<12} {word:<12} {seconds(stage.elapsed_s):>9}  {stage.message}".rstrip())
        out += _thought(shown[n]) if n in shown else []
        for deed in (deed for deed in found.deeds if deed.attempt == n):
            out.append(f"  {_BY_ITSELF.get(deed.action, 'you')}: {_deed(deed)}")
    return out


def _deed(deed: Deed) -> str:
    step = catalogue().step(deed.check)
    value = f" {measure(deed.value, deed.unit)}" if deed.value is not None else ""
    told = f": {deed.outcome}" if deed.outcome else ""
    if step is None and deed.action == MENDED:
        return f"put right{told}"
    did = step.title if step else " ".join(filter(None, (_OF_PLAN.get(deed.action, deed.action), deed.check)))
    return f"{did}{told}{value}"


def _thought(one: Shown) -> list[str]:
    out = []
    if one.observations:
        out.append("  seen: " + ", ".join(code for code, _ in one.observations))
    if one.causes:
        out.append("  shown: " + ", ".join(f"{cause} {percent(chance)}" for cause, chance in one.causes[:3]))
    return out


def _were(count: int) -> str:
    return "was" if count == 1 else "were"
