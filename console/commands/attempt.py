"""What commands that open a port share: options to settings, a session with its fold and record, live text."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from argparse import Namespace
from collections.abc import AsyncIterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TextIO

import protocols
from console.clock import MonotonicClock
from console.errors import UsageTrouble, WakelineError
from console.events import Event
from console.link.base import LineUse, LinkSettings, WakeLines
from console.session.exchange import TraceRow
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from console.text import column, hex_bytes
from protocols.uart import Frame

if TYPE_CHECKING:
    from console.notebook.keeper import Keeper, Kept
    from console.record.recorder import Recorder

_PARITY_LETTER = {"even": "E", "none": "N", "odd": "O"}
_ARROW = {"out": "out ->", "in": "in  <-", "line": "line ! ", "mark": "------"}


def settings_from(options: Namespace) -> LinkSettings:
    """Link settings from command line options. Raises UsageTrouble for an unknown family."""
    try:
        family = protocols.load(options.family)
    except LookupError as error:
        raise UsageTrouble("family", str(error), help="choose one of the known families") from error
    frame = family.frame
    if options.parity is not None:
        frame = Frame.parse(f"{frame.data_bits}{_PARITY_LETTER[options.parity]}{frame.stop_bits}")
    if options.reset_line and options.strap_line and options.reset_line[0] == options.strap_line[0]:
        raise UsageTrouble(
            "usage", "reset and strap cannot use the same line", help="use dtr for one and rts for the other"
        )

    def use(choice: tuple[Any, bool] | None) -> LineUse | None:
        return None if choice is None else LineUse(*choice)

    return LinkSettings(
        port=options.port,
        baud=options.baud or family.baud,
        frame=frame,
        wake=WakeLines(use(options.reset_line), use(options.strap_line), options.hold, options.settle),
    )


@contextlib.asynccontextmanager
async def opened(
    settings: LinkSettings,
    family: str = "an3155",
    *,
    fold: Fold,
    record: str | None = None,
    overwrite: bool = False,
    live: Live | None = None,
    at_once: bool = True,
) -> AsyncIterator[Session]:
    """Open a port into `fold`, with an optional record and live text; closes all of it whatever happens.

    Unless `at_once`, the session is there but its port is opened later, by whoever uses it. Raises PortTrouble, or
    InputTrouble when the record cannot be written. Afterwards the fold holds the whole story, also that of a port that
    did not open.
    """
    from console.link import make_link

    clock = MonotonicClock()
    session = Session(
        make_link(settings, clock),
        protocols.load(family),
        clock=clock,
        sinks=[fold.add],
        adapt=simulated_adapter,
        simulated=is_simulated(settings.port),
    )
    recorder: Recorder | None = None
    if record:
        from console.record.recorder import Recorder

        recorder = Recorder(record, port=settings.port, baud=settings.baud, overwrite=overwrite, trouble=_tell)
        session.add_sink(recorder.event)
    shown = False
    try:
        if at_once:
            await session.open()
        if live is not None:  # a port that did not open has nothing to show but its error
            session.add_sink(live.event)
            shown = True
        yield session
    finally:
        await asyncio.shield(session.close())
        if live is not None and shown:
            live.flush()
        if recorder is not None:
            recorder.close()


async def simulated_adapter(settings: LinkSettings) -> None:
    """Tell the simulated bench which frame its adapter shall use: a pseudo terminal cannot carry parity."""
    from console.bench import control

    entry = control.find(settings.port)
    if entry is not None:
        with contextlib.suppress(OSError, WakelineError):  # a bench that just left is the port's trouble, told there
            await control.act(entry, "adapter-frame", frame=str(settings.frame))


async def simulated_reset(settings: LinkSettings) -> bool:
    """Press reset on the simulated board behind this port; False where there is none."""
    from console.bench import control

    entry = control.find(settings.port)
    if entry is None:
        return False
    with contextlib.suppress(OSError, WakelineError):
        await control.act(entry, "reset")
        return True
    return False


def is_simulated(port: str) -> bool | None:
    """Whether a simulated board is behind the port now; None where another program may be, which nobody can tell."""
    from console.bench import control

    if control.find(port) is not None:
        return True
    # whoever holds the other end of a socket or pseudo terminal may be anything
    return None if "://" in port or os.path.realpath(port).startswith("/dev/pts/") else False


def keeper_from(options: Namespace) -> Keeper:
    """The notebook behind a command. Raises InputTrouble for a named one that cannot be used, UsageTrouble."""
    return keeper_for(options.notebook, options.board, options.design, options.revision)


def keeper_for(notebook: str | None, board: str | None, design: str | None, revision: str | None) -> Keeper:
    """A notebook (None: the user's own) for a board. Raises InputTrouble where a named one cannot be used, and
    UsageTrouble."""
    from console.notebook.entry import board_name
    from console.notebook.history import Design
    from console.notebook.keeper import Keeper

    keeper = Keeper(
        None if notebook is None else Path(notebook),
        board="" if board is None else board_name(board),
        design=Design(
            "" if design is None else board_name(design, "design"),
            "" if revision is None else board_name(revision, "revision"),
        ),
    )
    if keeper.trouble is not None:
        _tell(keeper.trouble)
    return keeper


def tell_kept(kept: Kept | None, keeper: Keeper, snapshot: Snapshot) -> None:
    """Say on a terminal or in a pipe what became of the session in the notebook."""
    from console.notebook.keeper import ONLY_NAMED

    if kept is not None:
        print("\n".join(["", *kept.lines()]), file=sys.stderr if kept.trouble else sys.stdout)
    elif keeper.board and snapshot.simulated:
        print(f"\nnotebook: {ONLY_NAMED}")


def _tell(error: WakelineError) -> None:
    print("\n".join(error.lines()), file=sys.stderr)


class Live(Protocol):
    """What prints while a session runs."""

    def event(self, event: Event, /) -> None:
        """Sink: something happened."""
        ...

    def flush(self) -> None:
        """Print what is held back."""
        ...


class LiveText:
    """Prints the trace as it grows. A row that may still gain bytes is held back for a moment."""

    HOLD_S = 0.05

    def __init__(self, fold: Fold, stream: TextIO) -> None:
        self._fold = fold
        self._stream = stream
        self._printed = 0
        self._timer: asyncio.TimerHandle | None = None

    def event(self, _: Event) -> None:
        """Sink: something happened."""
        self._print(len(self._fold.trace) - 1)
        if self._timer is None:
            try:
                self._timer = asyncio.get_running_loop().call_later(self.HOLD_S, self.flush)
            except RuntimeError:  # outside a loop (replay): the caller flushes
                return

    def flush(self) -> None:
        """Print everything, also the last row."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._print(len(self._fold.trace))
        self._stream.flush()

    def _print(self, stop: int) -> None:
        trace = self._fold.trace
        for index in range(self._printed, stop):
            self._stream.write(row_text(trace.row(index), trace.start_ns or 0) + "\n")
        self._printed = max(self._printed, stop)


def row_text(row: TraceRow, start_ns: int) -> str:
    """A trace row as one line of plain text."""
    time = f"{(row.t_ns - start_ns) / 1e9:10.6f}"
    if not row.data:
        return f"{time}  {_ARROW[row.kind]}  {row.text}"
    return f"{time}  {_ARROW[row.kind]}  {hex_bytes(row.data):<24} {column(row.data):<8} {row.text}"
