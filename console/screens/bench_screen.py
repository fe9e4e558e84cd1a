"""The bench: the cable on top, the stages as a timeline under it, trace and causes below."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container
from textual.content import Content
from textual.events import DescendantFocus, Resize
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

from console.causes.rank import NextCheck
from console.errors import Outcome, WakelineError
from console.screens.actions import BY_ID, Action, Scope, bindings, key_line, of_scopes
from console.screens.ask_screen import AskScreen, ChooseScreen
from console.screens.bridge import SnapshotReady
from console.screens.causes_panel import CausesPanel
from console.screens.files import fresh_path, write_lines
from console.screens.guide import GuideLine, step_for
from console.screens.naming import ask_board
from console.screens.panel import TextPanel, put
from console.screens.replay import ReplayLine
from console.screens.source import CaptureSource, LiveSource, Source
from console.screens.stages_panel import WORDS, StagesPanel
from console.screens.text import line
from console.screens.trace_panel import TracePanel
from console.screens.wires_panel import WiresPanel
from console.snapshot import Snapshot

if TYPE_CHECKING:
    from console.screens.app import WakelineApp

PANELS = ("wires", "stages", "trace", "causes")
_SWAP_CAUTION = "power the board before driving its signal pins; a lit LED may be phantom power"


class BenchScreen(Screen[None]):
    """Four panels over one source. Commands go to the source; what is shown comes from snapshots alone."""

    HELP: ClassVar[str] = (
        "The cable on top, the stages under it, then what passed on the wire and what is most likely wrong. Tab moves "
        "between the panels, z gives one the whole screen. h tries the handshake."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.BENCH, Scope.LIVE, Scope.REPLAY, Scope.STORY)
    # the base class declares these as instance variables
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-low"), (30, "-high")]  # noqa: RUF012
    AUTO_FOCUS = "#trace"

    def __init__(self, source: Source, story: str | None = None) -> None:
        super().__init__()
        self.source = source
        self.story = story
        self.snapshot: Snapshot = source.bridge.fold.snapshot()
        self._told_record_trouble = False

    # -------------------------------------------------------------- appearance

    def compose(self) -> ComposeResult:
        """Headline, guide or replay line, four panels, keys."""
        yield Static("", id="headline", markup=False)
        if self.story is not None:
            yield GuideLine("", id="guide", markup=False)
        if isinstance(self.source, CaptureSource):
            yield ReplayLine(self.source, id="replay")
        yield WiresPanel("wires")
        yield StagesPanel("stages")
        with Container(id="lower"):
            yield TracePanel("trace")
            yield CausesPanel("causes")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Begin."""
        self.source.bridge.target = self
        self.show_snapshot(self.snapshot)
        if isinstance(self.source, LiveSource):
            self._command(self.source.start)
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
        if self.has_class("-zoomed") and isinstance(event.widget, (TextPanel, TracePanel)):
            self._zoom_on(event.widget)
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
            word = {Outcome.OK: "awake and identified", Outcome.PORT: "port trouble"}.get(outcome, word)
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
        first = ("handshake", "swap-done", "check-done") if live else ("pause", "step", "faster", "slower")
        more = ("record", "zoom") if live else ("zoom",)
        order = [BY_ID[name] for name in (*first, *more, "help", "palette", "quit")]
        places = [Scope.LIVE if live else Scope.REPLAY, Scope.BENCH, Scope.EVERYWHERE]
        if isinstance(self.focused, TracePanel):
            places.insert(0, Scope.TRACE)
        order += [action for place in places for action in of_scopes(place) if action not in order]
        self.query_one("#keys", Static).update(key_line(tuple(order), max(10, self.size.width - 2)))

    # ---------------------------------------------------------------- commands

    @work(exclusive=True, group="command")
    async def _command(self, *steps: Callable[[], Awaitable[object]]) -> None:
        self.app.clear_notifications()  # what was told before belongs to what was before
        try:
            for step in steps:
                await step()
        except WakelineError as error:
            self.trouble(error)
        if isinstance(self.source, LiveSource) and (news := self.source.take_news()):
            self.tell(news)
        self.source.bridge.stir()

    @work(exclusive=True, group="play")
    async def _play(self, source: CaptureSource) -> None:
        try:
            await source.run()
        except WakelineError as error:
            self.trouble(error)

    def trouble(self, error: WakelineError) -> None:
        """What happened, where, and what to do next; never markup."""
        self.notify("\n".join(error.lines()[1:]), title=f"{error.code}: {error.message}", severity="error",
                    timeout=8, markup=False)  # fmt: skip

    def tell(self, words: str) -> None:
        """A short notice."""
        self.notify(words, timeout=6, markup=False)

    def _live(self) -> LiveSource | None:
        """The live source, when it is free for a command."""
        if not isinstance(self.source, LiveSource):
            self.tell("this is a capture: there is no port to send to")
            return None
        if self.source.busy:
            self.tell("an attempt runs: x stops it")
            return None
        return self.source

    def action_handshake(self) -> None:
        """One attempt."""
        if (source := self._live()) is not None:
            self._command(source.handshake)

    def action_listen(self) -> None:
        """Only listen."""
        if (source := self._live()) is not None:
            self._command(source.listen)

    def action_stop(self) -> None:
        """Stop the attempt."""
        if isinstance(self.source, LiveSource):
            self.source.stop()

    def action_swap_done(self) -> None:
        """Ask, record, repeat."""
        self._ask_done("swap-done", "TX and RX are swapped at the adapter: try again?")

    def action_check_done(self) -> None:
        """The check that is asked for, if it is a change."""
        check, source = self.snapshot.next_check, self._live()
        if source is None:
            return
        if check is None:
            self.tell("no check is asked for; h tries again")
        elif check.action or check.repair:
            self._ask_done(check.action or "", f"done: {check.title}?", check)
        else:
            self._ask_found(source, check)

    def _ask_found(self, source: LiveSource, check: NextCheck) -> None:
        """A reading: which of its outcomes it was."""

        def answered(number: int | None) -> None:
            if number is not None:
                source.found(check.id, check.answers[number][0])

        self.app.push_screen(ChooseScreen(f"{check.title}: what did it show?", check.caution, check.answers), answered)

    def _ask_done(self, action: str, question: str, check: NextCheck | None = None) -> None:
        source = self._live()
        if source is None:
            return
        caution = check.caution if check is not None else _SWAP_CAUTION

        def answered(yes: bool | None) -> None:
            if yes and check is not None:
                self._command(lambda: source.tried(check))
            elif yes:
                self._command(lambda: source.done(action), source.handshake)

        self.app.push_screen(AskScreen(question, caution, "it is done, try again", "not yet"), answered)

    def action_reset(self) -> None:
        """Over the lines, or by hand."""
        source = self._live()
        if source is None:
            return

        async def reset() -> None:
            if await source.reset():
                self.tell("the board was reset")
                return
            question = "no reset line is wired: press the board's reset by hand. done?"
            self.app.push_screen(AskScreen(question, None, "it is reset, try again", "not yet"), by_hand)

        def by_hand(yes: bool | None) -> None:
            if yes:
                self._command(lambda: source.done("reset-done"), source.handshake)

        self._command(reset)

    def action_record(self) -> None:
        """Begin or end a capture."""
        source = self.source
        if not isinstance(source, LiveSource):
            self.tell("a capture is a record already")
            return
        try:
            if source.recording:
                self.tell(f"capture written to {source.record_off()}")
            else:
                self._told_record_trouble = False
                self.tell(f"records to {source.record_on()}")
        except WakelineError as error:
            self.trouble(error)
        self.source.bridge.stir()

    def action_name_board(self) -> None:
        """Which board this is."""
        if isinstance(self.source, LiveSource):
            ask_board(self, self.source)
        else:
            self.tell("a capture is no session of its own: the notebook does not take it")

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
        elif step.kind == "check":
            self.action_check_done()
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
            self._write("rows", lambda path: write_lines(path, message.lines or ()), f"{count} row(s) copied, also in")
            return
        panel, view, size = self.query_one(TracePanel), message.view, len(message.view)
        rows = (panel.row_text(view.row(at)) for at in range(size))
        self._write("rows", lambda path: write_lines(path, rows), f"{size} row(s) written to")

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

    # -------------------------------------------------------------------- zoom

    def action_next_panel(self) -> None:
        """The next of the four."""
        names = list(PANELS)
        here = self.focused.id if self.focused is not None and self.focused.id in names else names[-1]
        self._focus_panel(names[(names.index(here) + 1) % len(names)])

    def action_zoom(self) -> None:
        """One panel on the whole screen, or all four."""
        if self.has_class("-zoomed"):
            self.unzoom()
        elif self.focused is not None and self.focused.id in PANELS:
            self.add_class("-zoomed")
            self._zoom_on(self.focused)

    def unzoom(self) -> bool:
        """All four panels; False when they were there already."""
        if not self.has_class("-zoomed"):
            return False
        self.remove_class("-zoomed")
        for name in PANELS:
            self._mark(self.query_one(f"#{name}"), False, False)
        self.query_one("#lower").remove_class("-hidden")
        return True

    def _focus_panel(self, name: str) -> None:
        panel = self.query_one(f"#{name}")
        if self.has_class("-zoomed"):
            self._zoom_on(panel)
        panel.focus()

    def _zoom_on(self, chosen: Widget) -> None:
        for name in PANELS:
            panel = self.query_one(f"#{name}")
            self._mark(panel, panel is chosen, panel is not chosen)
        self.query_one("#lower").set_class(chosen.id in ("wires", "stages"), "-hidden")

    @staticmethod
    def _mark(panel: Widget, zoomed: bool, hidden: bool) -> None:
        panel.set_class(zoomed, "-whole")
        panel.set_class(hidden, "-hidden")
        if isinstance(panel, TextPanel):
            panel.roomy = zoomed
