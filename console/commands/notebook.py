"""`wakeline notebook`: what the bench remembers, and the one thing only a person knows: what fixed the board."""

from __future__ import annotations

import sys
import time
from argparse import Namespace
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from console.causes.catalogue import OTHER, catalogue
from console.commands.output import write_file
from console.errors import InputTrouble, UsageTrouble
from console.notebook import export, words
from console.notebook.entry import LONGEST_NAME, LONGEST_NOTE, Fix
from console.notebook.history import BoardRun, Confirmed, Design, Detail, SessionRow
from console.notebook.place import default_path, is_begun
from console.notebook.statistics import Against, Similar, against, designs, first_pass, in_the_end, places, shrinkage
from console.notebook.statistics import similar as similar_to
from console.notebook.statistics import times as stage_times
from console.notebook.store import Notebook
from console.notebook.trouble import missing
from console.shares import Rate, pareto
from console.summary import dumps
from console.text import clean
from console.words import count_of


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    path = default_path() if options.notebook is None else Path(options.notebook)
    verbs: dict[str, Callable[[Namespace, Notebook], tuple[dict[str, Any], list[str]]]] = {
        "list": _list,
        "show": _show,
        "add-fix": _add_fix,
        "stats": _stats,
        "export": _export,
    }
    if not is_begun(path):
        raise missing(path)
    writes = options.verb == "add-fix"
    with Notebook.open(path) if writes else Notebook.open_to_read(path) as notebook:
        found, lines = verbs[options.verb](options, notebook)
    if options.json:
        print(dumps({"outcome": "ok", "file": str(path), **found, "error": None}))
    elif lines:
        print("\n".join(lines))
    return 0


def _list(options: Namespace, notebook: Notebook) -> tuple[dict[str, Any], list[str]]:
    rows = notebook.sessions(" ".join(options.search), options.board, options.last or None)
    narrowed = bool(options.search or options.board)
    none = "no session in the notebook fits" if narrowed else "the notebook holds no session yet"
    lines = [words.HEAD, *map(words.row_line, rows)] if rows else [none]
    if any(row.simulated for row in rows):
        lines.append("~ a simulated board: counts nowhere")
    return {"sessions": [_row_object(row) for row in rows]}, lines


def _show(options: Namespace, notebook: Notebook) -> tuple[dict[str, Any], list[str]]:
    if options.which.isdecimal():
        found = notebook.session(int(options.which))
        return _one(found, notebook)
    rows = notebook.sessions(board=options.which)
    if not rows:
        raise _no_board(options.which, notebook)
    known, lines = _one(notebook.session(rows[0].id), notebook)
    times = against(rows[0].board, notebook.stage_times())
    lines += ["", "beside its sisters:", *(f"  {words.against_line(one)}" for one in times)] if times else []
    lines += [
        "",
        f"{count_of(len(rows), 'session')} of {rows[0].board} in all:",
        words.HEAD,
        *map(words.row_line, rows),
    ]
    return known | {
        "board": rows[0].board,
        "sessions": [_row_object(row) for row in rows],
        "times": [_against_object(one) for one in times],
    }, lines


def _one(found: Detail, notebook: Notebook) -> tuple[dict[str, Any], list[str]]:
    like = None
    if found.failed_attempt:
        like = similar_to(found.row.stopped_at, found.codes, notebook.cases(), without=found.row.id, design=found.built)
    known = {"session": export.as_object(found), "similar": None if like is None else _similar_object(like)}
    return known, words.detail_lines(found, like)


def _add_fix(options: Namespace, notebook: Notebook) -> tuple[dict[str, Any], list[str]]:
    fix = _fix_from(options)
    if options.which.isdecimal():
        number = int(options.which)
    else:
        last = notebook.last_failed(options.which)
        if last is None:
            if options.which.casefold() in (name.casefold() for name in notebook.boards()):
                raise InputTrouble(
                    "no-failure",
                    f"board {clean(options.which, LONGEST_NAME)} never failed here: there is nothing to fix",
                    where=clean(str(notebook.path)),
                    help="give the number of a session, see `wakeline notebook list`",
                )
            raise _no_board(options.which, notebook)
        number = last
    if not notebook.session(number).failed_attempt:
        raise InputTrouble(
            "no-failure",
            f"session {number} passed at once: there is nothing to fix",
            where=clean(str(notebook.path)),
            help="give a session that failed, see `wakeline notebook list`",
        )
    notebook.add_fix(number, fix, time.time_ns())
    found = notebook.session(number)
    sure = any(one.confirmed for one in found.fixes)
    line = "confirmed: it counts" if sure else "it counts once the board passes at its next attempt, if this was all"
    if len(found.fixes) > 1:
        line = "several things were noted for this session: none counts, because nobody knows which helped"
    if found.row.simulated:
        line = "a simulated board: it counts nowhere"
    return {"session": export.as_object(found)}, [
        f"noted at session {number} of {found.row.board or words.NO_NAME}",
        line,
    ]


def _stats(options: Namespace, notebook: Notebook) -> tuple[dict[str, Any], list[str]]:
    runs, fixes, times = notebook.board_runs(), notebook.confirmed_fixes(), notebook.stage_times()
    causes = pareto(one.fix.cause for one in fixes if one.fix.cause)
    parts = pareto(_part(one) for one in fixes if one.fix.part)
    table = stage_times(times)
    priors = shrinkage(catalogue().priors(), fixes)
    own = [_of_design(design, boards, runs, fixes) for design, boards in designs(runs).items()]
    beside = _beside(options.board, notebook) if options.board else ()
    lines = ["boards", *(f"  {line}" for line in words.yield_lines(runs))]
    lines += ["", "causes, confirmed fixes only", *(words.pareto_lines(causes, titled=True) or ["  none yet"])]
    lines += ["", "parts, confirmed fixes only", *(words.pareto_lines(parts) or ["  none yet"])]
    lines += ["", "stages of each board's latest good session", *(words.times_lines(table) or ["  none yet"])]
    if options.board:
        told = [f"  {words.against_line(one)}" for one in beside]
        lines += ["", f"{clean(options.board, LONGEST_NAME)} beside its sisters", *(told or ["  no good session yet"])]
    lines += ["", "where diagnosis starts: the table, your confirmed fixes alone, and what is used of both"]
    lines += ["(on a board whose design nobody said; what another design showed counts less)"] if own else []
    lines += words.prior_lines(priors)
    for _, told in own:
        lines += ["", *told]
    return {
        "yield": {"first_pass": _rate_object(first_pass(runs)), "in_the_end": _rate_object(in_the_end(runs))},
        "causes": [{"id": bar.name, **_rate_object(bar.rate), "running": round(bar.running, 4)} for bar in causes],
        "parts": [{"part": bar.name, **_rate_object(bar.rate), "running": round(bar.running, 4)} for bar in parts],
        "times": [asdict(one) for one in table],
        "board": [_against_object(one) for one in beside],
        "priors": [asdict(row) for row in priors],
        "designs": [known for known, _ in own],
    }, lines


def _of_design(
    design: Design, boards: int, runs: Sequence[BoardRun], fixes: Sequence[Confirmed]
) -> tuple[dict[str, Any], list[str]]:
    """What is learned from the boards of one design alone, for JSON and in lines."""
    rows = [row for row in shrinkage(catalogue().priors(), fixes, design) if row.confirmed]
    found = places(design, runs, fixes)
    lines = [f"{design.words}, {count_of(boards, 'board')}: fixes of other boards, its own, and what is used of all"]
    lines += words.design_prior_lines(rows) if rows else ["  no cause was fixed yet"]
    if found:
        lines.append("  its places: how often a board has one bad, by count alone, by the table, and as used")
        lines += words.place_lines(found)
    return {
        "design": design.name,
        "revision": design.revision or None,
        "boards": boards,
        "priors": [asdict(row) for row in rows],
        "places": [
            {
                "part": one.part,
                "joint": one.joint or None,
                **_rate_object(one.rate),
                "table": one.table,
                "used": one.used,
            }
            for one in found
        ],
    }, lines


def _part(one: Confirmed) -> str:
    """A part has its name only within its design."""
    return f"{one.fix.part} of {one.design.words}" if one.design.name else one.fix.part


def _export(options: Namespace, notebook: Notebook) -> tuple[dict[str, Any], list[str]]:
    found = notebook.all()
    objects = [export.as_object(one) for one in found]
    if options.json and options.output == "-":
        return {"sessions": objects}, []
    text = export.sessions_csv(found) if options.format == "csv" else dumps(objects) + "\n"
    if options.output == "-":
        sys.stdout.write(text)
        return {}, []
    out = Path(options.output)
    write_file(out, options.overwrite, lambda stream: stream.write(text))
    return {"written": str(out), "count": len(found)}, [f"{count_of(len(found), 'session')} written to {out}"]


def _beside(board: str, notebook: Notebook) -> tuple[Against, ...]:
    name = next((one for one in notebook.boards() if one.casefold() == board.casefold()), None)
    if name is None:
        raise _no_board(board, notebook)
    return against(name, notebook.stage_times())


def _fix_from(options: Namespace) -> Fix:
    known = (*catalogue().causes, OTHER)
    if options.cause and options.cause not in known:
        raise UsageTrouble(
            "cause", f"there is no cause {clean(options.cause, 60)!r}", help=f"choose one of: {', '.join(known)}"
        )
    if not (options.cause or options.part or options.note):
        raise UsageTrouble("usage", "what fixed it is missing", help="give --cause, --part or --note")
    if options.joint and not options.part:
        raise UsageTrouble("usage", "a joint needs its part", help="add --part, as --part U4 --joint 17")
    photos = options.photo or []
    lost = next((photo for photo in photos if not Path(photo).is_file()), None)
    if lost is not None:
        raise InputTrouble("photo", "there is no such photo", where=clean(lost), help="give the file's name")
    return Fix(
        options.cause,
        clean(options.part.strip(), LONGEST_NAME),
        clean(options.joint.strip(), LONGEST_NAME),
        clean(options.note.strip(), LONGEST_NOTE),
        photos=tuple(clean(photo, 1000) for photo in photos),
    )


def _no_board(name: str, notebook: Notebook) -> InputTrouble:
    boards = notebook.boards()
    some = ", ".join(boards[:8]) + (f" and {len(boards) - 8} more" if len(boards) > 8 else "")
    return InputTrouble(
        "no-board",
        f"the notebook knows no board {clean(name, LONGEST_NAME)!r}",
        where=clean(str(notebook.path)),
        help=f"it knows: {clean(some)}" if boards else "name one with `wakeline handshake PORT --board NAME`",
    )


def _row_object(row: SessionRow) -> dict[str, Any]:
    return {
        "session": row.id,
        "begun_utc": export.utc(row.started_ns),
        "board": row.board or None,
        "product_id": export.product(row.product_id) or None,
        "port": row.port,
        "outcome": row.outcome.value,
        "first_outcome": row.first_outcome.value,
        "stopped_at": row.stopped_at or None,
        "suspect": row.suspect or None,
        "fix_cause": row.fix_cause or None,
        "fix_place": row.fix_place or None,
        "simulated": row.simulated,
    }


def _rate_object(rate: Rate) -> dict[str, Any]:
    return {"hits": rate.hits, "of": rate.of, "low": round(rate.low, 4), "high": round(rate.high, 4)}


def _against_object(one: Against) -> dict[str, Any]:
    z = None if one.z is None or abs(one.z) == float("inf") else round(one.z, 2)
    return {**asdict(one), "z": z, "odd": one.odd}


def _similar_object(like: Similar) -> dict[str, Any]:
    fixed_at = [{"place": place, "boards": count} for place, count in like.fixed_at]
    return {"fixed_at": fixed_at, "fixed": like.fixed, "unsolved": like.unsolved}
