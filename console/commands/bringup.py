"""`wakeline bringup BOARD`: a whole board by its plan, from the first look to the label on its box.

On a terminal the screens lead through it; with --ask, --answers or --bench it runs as text. The bench has hands of its
own, unless --ask or --answers says who answers. --check only reads.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from console.boards.board_file import load_board
from console.boards.plan import Plan
from console.bringup.around import keeps_its_rate
from console.bringup.words import next_serial, plan_lines, report_lines
from console.commands.attempt import keeper_for, tell_kept
from console.commands.board_run import at_port, carry_out, on_bench
from console.commands.hands import FileHands, PromptHands
from console.commands.output import teller
from console.errors import InputTrouble, UsageTrouble, WakelineError
from console.operating import Hands
from console.snapshot import Fold, exit_code
from console.summary import as_object, dumps
from console.text import clean, file_name

if TYPE_CHECKING:
    from console.notebook.keeper import Keeper


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    plan = load_board(options.board)
    if options.check:
        return _check(plan, options)
    if options.ask and options.answers is not None:
        raise UsageTrouble(
            "usage", "--ask and --answers exclude each other: both say who answers", help="leave one of them"
        )
    if (options.bench is None) == (options.port is None):
        raise UsageTrouble(
            "usage", "a board needs a port, or the simulated bench", help="give --port PORT or --bench, not both"
        )
    unfit = "" if options.port is None else keeps_its_rate(options.port, plan)
    if unfit:
        raise UsageTrouble(
            "port", unfit, where=clean(options.port), help="plug the adapter into this machine, or give both the same"
        )
    keeper = plan_keeper(options.notebook, plan, options.serial)
    if not options.ask and options.answers is None and options.bench is None:
        if options.json or not (sys.stdin.isatty() and sys.stdout.isatty()):
            raise UsageTrouble(
                "usage", "nobody is there to do the steps", help="add --ask, --answers FILE, or run it on a terminal"
            )
        return _on_screens(options, plan, keeper)
    options.record = record_path(options.record, plan, options.serial)
    fold = Fold(keeper.priors)
    try:
        asyncio.run(_bringup(options, plan, fold, keeper))
    except WakelineError as error:
        if fold.snapshot().bringup is None:
            raise
        if not options.json:
            sys.stdout.flush()
            print("\n".join(error.lines()), file=sys.stderr)
    snapshot = fold.snapshot()
    kept = keeper.keep(snapshot, capture=options.record or "")
    if options.json:
        notes = {} if kept is None else {"notebook": kept.as_object()}
        print(dumps(as_object(snapshot) | notes))
    elif snapshot.bringup is not None:
        teller(sys.stdout)("\n".join(["", *report_lines(snapshot.bringup)]))
        tell_kept(kept, keeper, snapshot)
        if options.serial and next_serial(options.serial):
            print(f"next board: the same command with --serial {clean(next_serial(options.serial))}")
    return exit_code(snapshot)


def _on_screens(options: Namespace, plan: Plan, keeper: Keeper) -> int:
    """The plan on the screens, board after board."""
    from console.screens.app import run_app
    from console.screens.plan_source import PlanSource

    def source(serial: str, start_at: str | None, record: str | None, keeper: Keeper) -> PlanSource:
        return PlanSource(
            plan,
            options.port,
            serial=serial,
            start_at=start_at,
            record=record_path(record, plan, serial),
            overwrite=options.overwrite,
            keeper=keeper,
            another=another,
        )

    def another(serial: str) -> PlanSource:
        """The next board: from its first stage, recorded beside the first where that was recorded."""
        folder = options.record if options.record is None else str(_folder(options.record))
        return source(serial, None, folder, plan_keeper(options.notebook, plan, serial))

    first = source(options.serial or "", options.start_at, options.record, keeper)
    return run_app(plan=first, keeper=keeper)


def record_path(record: str | None, plan: Plan, serial: str | None) -> str | None:
    """The capture to write: `record`, or where that is a folder a new file in it, named by board and number."""
    if record is None:
        return None
    if record.endswith("/") and not Path(record).exists():  # whoever writes it so means a folder
        try:
            Path(record).mkdir(parents=True)
        except OSError as error:
            raise InputTrouble(
                "record-folder",
                f"the folder cannot be made ({error.strerror})",
                where=clean(record),
                help="choose one that you may write to",
            ) from error
    if not Path(record).is_dir():
        return record
    stem = file_name("-".join(filter(None, (plan.name, plan.revision, serial))))
    path, number = Path(record) / f"{stem}.pcapng", 2
    while path.exists():
        path, number = path.with_name(f"{stem}-{number}.pcapng"), number + 1
    return str(path)


def _folder(record: str) -> Path:
    return Path(record) if Path(record).is_dir() else Path(record).parent


def plan_keeper(notebook: str | None, plan: Plan, serial: str | None) -> Keeper:
    """The notebook for a board of this plan, named by its serial number. Raises InputTrouble, UsageTrouble.

    Digits alone would be the number of a session there: the plan's name goes before them.
    """
    board = f"{plan.name}-{serial}" if serial is not None and serial.strip().isdecimal() else serial
    return keeper_for(notebook, board or None, plan.name, plan.revision or None)


def _check(plan: Plan, options: Namespace) -> int:
    if options.json:
        print(dumps(checked_object(plan, options.port)))
    else:
        print("\n".join([*plan_lines(plan), *(f"warning: {note}" for note in _warnings(plan, options.port))]))
    return 0


def _warnings(plan: Plan, port: str | None) -> list[str]:
    """What does not forbid to begin, but will not go well."""
    unfit = "" if port is None else keeps_its_rate(port, plan)
    return [*plan.notes, *filter(None, (unfit,))]


def checked_object(plan: Plan, port: str | None = None) -> dict[str, Any]:
    """What --check says, for JSON; with a `port`, of that too."""
    return {
        "outcome": "ok",
        "board": plan.name,
        "revision": plan.revision,
        "file": plan.file,
        "digest": plan.digest,
        "parts": len(plan.board.circuit.parts),
        "nets": len(plan.board.circuit.nets),
        "images": [
            {"role": one.role, "size": one.image.size, "sha256": one.image.sha256, "chip": one.chip.name}
            for one in plan.images.values()
        ],
        "stages": [
            {"id": one.id, "kind": one.work.value, "title": one.title, "after": list(one.after)} for one in plan.stages
        ],
        "warnings": _warnings(plan, port),
        "error": None,
    }


async def _bringup(options: Namespace, plan: Plan, fold: Fold, keeper: Keeper) -> None:
    # with --json standard output carries one object and nothing else
    say = teller(sys.stderr if options.json else sys.stdout)

    async with contextlib.AsyncExitStack() as stack:

        def asked(bench: Hands | None = None) -> Hands:
            return FileHands(Path(options.answers), say) if options.answers else PromptHands(say, bench)

        if options.bench is not None:
            own = not options.ask and options.answers is None
            place = await stack.enter_async_context(on_bench(options.bench, plan, say, None if own else asked))
        else:
            place = at_port(options.port, asked())
        await carry_out(
            plan,
            place,
            fold,
            say,
            serial=options.serial or "",
            start_at=options.start_at,
            record=options.record,
            overwrite=options.overwrite,
            experience=keeper.experience,
            past=keeper.past,
        )
