"""The bench: the cable on top, the stages as a timeline under it, trace and causes below."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container
from textual.content import Content
from textual.events import DescendantFocus, Resize
from textual.widgets import Static

from console.errors import Outcome, WakelineError
from console.screens.actions import BY_ID, Action, Scope, bindings, key_line, of_scopes
from console.screens.bridge import SnapshotReady
from console.screens.capture_source import CaptureSource
from console.screens.causes_panel import CausesPanel
from console.screens.files import fresh_path, write_lines
from console.screens.guide import GuideLine, step_for
from console.screens.live_screen import LiveScreen
from console.screens.panel import TextPanel, put
from console.screens.plan_panels import PlanPanel, SuspectsPanel
from console.screens.replay import ReplayLine
from console.screens.source import LiveSource, Source
from console.screens.stages_panel import WORDS, StagesPanel
from console.screens.text import line
from console.screens.trace_panel import TracePanel
from console.screens.wires_panel import WiresPanel
from console.screens.zoom import ZoomScreen
from console.snapshot import Snapshot
from console.words import count_of

if TYPE_CHECKING:
    from console.screens.app import WakelineApp

# the first of them are all that has room at the least size: help and leaving are among them
_LIVE_KEYS = (
    *("handshake", "check-done", "skip-check", "undo", "program"),
    *("help", "quit", "palette", "record", "zoom"),
)
_REPLAY_KEYS = ("pause", "step", "faster", "slower", "zoom", "help", "palette", "quit")


class BenchScreen(ZoomScreen, LiveScreen):
    """Four panels over one source. Commands go to the source; what is shown comes from snapshots alone.

    Of a capture of a whole board's plan, plan and suspects stand where stages and causes do.
    """

    HELP: ClassVar[str] = (
        "The cable on top, the stages under it, then what passed on the wire and what is most likely wrong. Tab moves "
        "between the panels, z gives one the whole screen. h tries the handshake; a board on which a run was cut off "
        "wants a reset first, or p with 'a run was cut off' ticked."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.BENCH, Scope.LIVE, Scope.REPLAY, Scope.STORY)
    # the base class declares these as instance variables
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-low"), (30, "-high")]  # noqa: RUF012
    AUTO_FOCUS = "#trace"
    PANELS = ("wires", "stages", "trace", "causes")
    ROOM, IN_ROOM = "lower", ("trace", "causes")

    def __init__(self, source: Source, story: str | None = None) -> None:
        super().__init__(source)
        self.story = story

    # -------------------------------------------------------------- appearance

    def compose(self) -> ComposeResult:
        """Headline, guide or replay line, four panels, keys."""
        yield Static("", id="headline", markup=False)
        if self.story is not None:
            yield GuideLine("", id="guide", markup=False)
        if isinstance(self.source, CaptureSource):
            yield ReplayLine(self.source, id="replay")
        yield WiresPanel("wires")
        plans = isinstance(self.source, CaptureSource) and self.source.plans
        self.set_class(plans, "-plan")
        yield PlanPanel("stages") if plans else StagesPanel("stages")
        with Container(id="lower"):
            yield TracePanel("trace")
            yield SuspectsPanel("causes") if plans else CausesPanel("causes")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Begin."""
        self.source.bridge.target = self
        self.show_snapshot(self.snapshot)
        if isinstance(self.source, LiveSource):
            self._command(self.source.start, first=True)
        else:
            self._play(self.source)

    def on_snapshot_ready(self, message: SnapshotReady) -> None:
        """A new picture."""
        self.show_snapshot(message.snapshot)

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Hand a picture to every panel."""
        self.snapshot = snapshot
        for panel in self.query(TextPanel):
            panel.snapshot = snapshot
        self.query_one(TracePanel).show(self.source.bridge.fold.trace)
        put(self.query_one("#headline", Static), self._headline())
        for replay in self.query(ReplayLine):
            replay.tell()
        for guide in self.query(GuideLine):
            guide.tell(step_for(snapshot, self.story or ""))
        source = self.source
        if isinstance(source, LiveSource) and source.record_trouble and not self._told_record_trouble:
            self._told_record_trouble = True
            self.trouble(source.record_trouble)

    def offers(self, action: Action) -> bool:
        """Whether the action makes sense over this source."""
        live = isinstance(self.source, LiveSource)
        fits = {Scope.STORY: self.story is not None, Scope.LIVE: live, Scope.REPLAY: not live}
        return fits.get(action.scope, True)

    def on_resize(self, event: Resize) -> None:
        """As many keys as fit."""
        self._keys()

    def on_descendant_focus(self, event: DescendantFocus) -> None:
        """The key line follows the focus."""
        super().on_descendant_focus(event)
        self._keys()

    def _headline(self) -> Content:
        shown = self.snapshot
        settings = dict(shown.settings)
        outcome = shown.outcome
        if shown.running_stage is not None:
            sign, word, style = "…", f"{shown.running_stage} runs", "$text-accent"
        elif outcome is None:
            sign, word, style = "·", "ready" if shown.port else "opening", "$secondary"
        else:
            sign, word, style = WORDS.get(outcome, ("✗", str(outcome), "$text-error"))
            programmed = shown.programming is not None and shown.programming.complete
            passed = "test passed" if shown.test else "plan done" if shown.bringup else "awake and identified"
            passed = "done and proven" if programmed and not shown.bringup else passed
            word = {Outcome.OK: passed, Outcome.PORT: "port trouble"}.get(outcome, word)
        rate = f"  {settings['baud']} {settings.get('frame', '')}" if "baud" in settings else ""
        tail = ""
        if isinstance(self.source, LiveSource) and self.source.recording and self.source.record_path:
            tail = f"  ● records {self.source.record_path.name}"
        return line(
            ("wakeline ", "bold $text-primary"), self.source.title, (rate, "$secondary"), "  ",
            (f"{sign} {word}", f"bold {style}"), (tail, "$text-warning"),
        )  # fmt: skip

    def _keys(self) -> None:
        live = isinstance(self.source, LiveSource)
        order = [BY_ID[name] for name in (_LIVE_KEYS if live else _REPLAY_KEYS)]
        places = [Scope.LIVE if live else Scope.REPLAY, Scope.BENCH, Scope.EVERYWHERE]
        if isinstance(self.focused, TracePanel):
            places.insert(0, Scope.TRACE)
        order += [action for place in places for action in of_scopes(place) if action not in order]
        self.query_one("#keys", Static).update(key_line(tuple(order), max(10, self.size.width - 2)))

    # ---------------------------------------------------------------- the story and the replay

    @work(exclusive=True, group="play")
    async def _play(self, source: CaptureSource) -> None:
        try:
            await source.run()
        except WakelineError as error:
            self.trouble(error)

    def action_story(self) -> None:
        """The next step of the guide."""
        if self.story is None or not isinstance(self.source, LiveSource) or self.source.busy:
            return
        source, step = self.source, step_for(self.snapshot, self.story)
        if step.kind == "handshake":
            self._command(source.handshake)
        elif step.kind == "done" and self.snapshot.next_check is not None:
            check = self.snapshot.next_check
            self._command(lambda: source.tried(check))
        elif step.kind == "check" and self.snapshot.next_check is not None:
            check, snapshot = self.snapshot.next_check, self.snapshot
            self._command(lambda: source.played(check, snapshot))
        elif step.kind == "leave":
            cast("WakelineApp", self.app).leave()

    def action_pause(self) -> None:
        """Hold the capture or go on."""
        for replay in self.query(ReplayLine):
            replay.pause()

    def action_step(self) -> None:
        """One event."""
        for replay in self.query(ReplayLine):
            replay.step()

    def action_faster(self) -> None:
        """Twice as fast."""
        for replay in self.query(ReplayLine):
            replay.faster()

    def action_slower(self) -> None:
        """Half as fast."""
        for replay in self.query(ReplayLine):
            replay.slower()

    # ------------------------------------------------------------------- files

    def on_trace_panel_wanted(self, message: TracePanel.Wanted) -> None:
        """Rows into a file, and into the clipboard if they were copied."""
        if message.lines is not None:
            self.app.copy_to_clipboard("\n".join(message.lines) + "\n")
            count = len(message.lines)
            self._write(
                "rows", lambda path: write_lines(path, message.lines or ()), f"{count_of(count, 'row')} copied, also in"
            )
            return
        panel, view, size = self.query_one(TracePanel), message.view, len(message.view)
        rows = (panel.row_text(view.row(at)) for at in range(size))
        self._write("rows", lambda path: write_lines(path, rows), f"{count_of(size, 'row')} written to")

    def action_transcript(self) -> None:
        """The readable record of what was seen so far."""
        fold, snapshot = self.source.bridge.fold, self.snapshot
        size = len(fold.trace)

        def write(path: Path) -> int:
            from console.record.transcript import TranscriptRow, write_transcript
            from console.summary import as_object

            rows = (TranscriptRow(r.t_ns, r.kind, r.data, r.text) for r in fold.trace.rows(0, size))
            with path.open("x", encoding="utf-8") as stream:
                write_transcript(stream, as_object(snapshot), rows, fold.trace.start_ns or 0)
            return size

        self._write("transcript", write, "transcript written to")

    @work(group="files")
    async def _write(self, what: str, write: Callable[[Path], int], words: str) -> None:
        path = fresh_path(what, self.source.name, ".txt")
        try:
            await asyncio.to_thread(write, path)  # a long trace takes a while; the bytes go on meanwhile
        except OSError as error:
            self.trouble(
                WakelineError(
                    "output",
                    f"cannot write: {error.strerror or error}",
                    where=str(path),
                    help="start wakeline in a folder you may write to",
                )
            )
            return
        self.tell(f"{words} {path}")
