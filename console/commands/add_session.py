"""`wakeline notebook add-session CAPTURE`: a recorded session into the notebook, as after a machine that stopped."""

from __future__ import annotations

from argparse import Namespace
from pathlib import Path

from console.commands.attempt import keeper_for
from console.commands.replay import fold_file
from console.errors import InputTrouble
from console.inputs import sha256_of
from console.notebook.keeper import ONLY_NAMED, Keeper, Kept
from console.notebook.store import Notebook
from console.snapshot import Snapshot, ended
from console.summary import dumps
from console.text import clean


def add_session(options: Namespace) -> int:
    """Keep what a capture holds; returns the exit code.

    Raises InputTrouble for a file that is no capture, holds nothing to keep, or is kept already.
    """
    path = Path(options.capture)
    snapshot = ended(fold_file(path).snapshot())
    keeper = _keeper(options, snapshot)
    before = _session_of(path, keeper)
    if before is not None:
        raise InputTrouble(
            "session-kept",
            f"this capture is in the notebook already, as session {before}",
            where=clean(str(path)),
            help=f"wakeline notebook show {before}",
        )
    kept = keeper.keep(snapshot, capture=str(path))
    if kept is None:
        nothing = "nothing was tried in it, or no notebook is begun and no board named"
        why = ONLY_NAMED if snapshot.simulated else nothing
        raise InputTrouble("no-session", why, where=clean(str(path)), help="name the board with --board NAME")
    return _tell(kept, as_json=options.json)


def _keeper(options: Namespace, snapshot: Snapshot) -> Keeper:
    """A board that is not named is the one of the record's plan."""
    plan = snapshot.bringup
    board, revision = options.board or None, options.revision or None
    if plan is not None:
        serial = plan.serial.strip()
        board = board or (f"{plan.board}-{serial}" if serial.isdecimal() else serial) or None
        revision = revision or plan.revision or None
    design = None if plan is None else plan.board or None
    return keeper_for(options.notebook, board, design, revision)


def _session_of(capture: Path, keeper: Keeper) -> int | None:
    if not keeper.path.exists():
        return None
    digest = sha256_of(str(capture))
    with Notebook.open_to_read(keeper.path) as notebook:
        numbers = (row.id for row in notebook.sessions("", "", None))
        return next((number for number in numbers if notebook.session(number).capture_sha256 == digest), None)


def _tell(kept: Kept, *, as_json: bool) -> int:
    if kept.trouble is not None:
        raise kept.trouble
    if as_json:
        print(dumps({"outcome": "ok", "notebook": kept.as_object(), "error": None}))
    else:
        print("\n".join(kept.lines()))
    return 0
