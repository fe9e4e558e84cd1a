"""A whole board by its plan: what is done, what is to be done now and with which caution, and whom to suspect."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container
from textual.content import Content
from textual.events import Resize
from textual.widgets import Static

from console.bringup.words import next_serial
from console.causes.rank import NextCheck
from console.errors import WakelineError
from console.operating import OTHER, Reply, can_undo
from console.screens.actions import BY_ID, Scope, bindings, key_line, of_scopes
from console.screens.ask_screen import AskScreen, FoundScreen, WordsScreen
from console.screens.bridge import SnapshotReady
from console.screens.panel import TextPanel, put
from console.screens.plan_panels import PlanPanel, StepPanel, SuspectsPanel
from console.screens.plan_source import PlanSource
from console.screens.text import line
from console.screens.zoom import ZoomScreen
from console.session.line_tests import CHECKS
from console.snapshot import Snapshot
from console.text import clean

if TYPE_CHECKING:
    from console.screens.app import WakelineApp


class BringupScreen(ZoomScreen):
    """Three panels over one plan. Keys say what the operator did; everything shown comes from snapshots."""

    HELP: ClassVar[str] = (
        "The plan of a whole board. Do what the panel 'now' asks, mind its caution, press Enter and tell what it "
        "showed. When a stage fails, the suspects are asked for one by one. Tab moves between the panels; z gives the "
        "focused one the whole screen, Escape brings the others back."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.PLAN)
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide")]  # noqa: RUF012  # the base class declares it so
    AUTO_FOCUS = "#step"
    PANELS = ("plan", "step", "suspects")
    ROOM, IN_ROOM = "work", ("step", "suspects")

    def __init__(self, source: PlanSource) -> None:
        super().__init__()
        self.source = source
        self.snapshot: Snapshot = source.bridge.fold.snapshot()
        self._asked: NextCheck | None = None
        self._told_record_trouble = False

    def compose(self) -> ComposeResult:
        """Headline, three panels, keys."""
        yield Static("", id="headline", markup=False)
        with Container(id="board"):
            yield PlanPanel("plan")
            with Container(id="work"):
                yield StepPanel("step", lambda: self.source.keys.check, plays=self.source.plays)
                yield SuspectsPanel("suspects", self.source.plan.netlist, self.source.plan.board.is_rail)
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Begin."""
        self.source.bridge.target = self
        self._show(self.snapshot)
        self._run()

    @work(exclusive=True, group="plan")
    async def _run(self) -> None:
        try:
            await self.source.run()
        except WakelineError as error:
            cast("WakelineApp", self.app).tell_trouble(error)

    def on_snapshot_ready(self, message: SnapshotReady) -> None:
        """A new picture."""
        self._show(message.snapshot)

    def on_resize(self, event: Resize) -> None:
        """As many keys as fit."""
        self._keys()

    def _keys(self) -> None:
        """The keys that do something now come first."""
        done = self.snapshot.bringup is not None and self.snapshot.bringup.outcome is not None
        names = ("next-board", "zoom-plan") if done else ()
        now = [BY_ID[name] for name in names] or [one for one in of_scopes(Scope.PLAN) if one.id != "next-board"]
        first = (*now, *(BY_ID[name] for name in ("back", "help", "palette", "quit")))
        order = (*first, *(action for action in of_scopes(Scope.EVERYWHERE) if action not in first))
        self.query_one("#keys", Static).update(key_line(order, max(10, self.size.width - 2)))

    def _show(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot
        asked = self.source.keys.check
        for panel in self.query(TextPanel):
            if asked is not self._asked and isinstance(panel, StepPanel):
                panel.asked_anew()
            panel.snapshot = snapshot
        self._asked = asked
        self._keys()
        self.set_class(bool(snapshot.bringup is not None and snapshot.bringup.stopped_at), "-stopped")
        put(self.query_one("#headline", Static), self._headline())
        trouble = self.source.record_trouble
        if trouble is not None and not self._told_record_trouble:
            self._told_record_trouble = True
            cast("WakelineApp", self.app).tell_trouble(trouble)

    def _headline(self) -> Content:
        state = self.snapshot.bringup
        serial = f"  number {state.serial}" if state is not None and state.serial else ""
        record = "  ● records" if self.source.recording else ""
        return line(("wakeline", "bold $text-primary"), f"  bring-up of {self.source.title}{serial}{record}")

    # ------------------------------------------------------------------------------------------------- the keys

    def action_answer(self) -> None:
        """Say what the step showed."""
        check = self._waiting()
        if check is None:
            return
        if self.source.plays:
            self.source.keys.say(Reply("done"))
        elif check.change or check.id in CHECKS:
            question = f"done: {check.title}?"
            self.app.push_screen(AskScreen(question, check.caution, "it is done", "not yet"), self._done)
        else:
            self.app.push_screen(FoundScreen(check), self._said)

    def action_skip_step(self) -> None:
        """Leave it out."""
        if self._waiting() is not None:
            self.source.keys.say(Reply("skip"))

    def action_undo_step(self) -> None:
        """The latest answer was wrong."""
        check = self._waiting()
        if check is None:
            return
        undoable = can_undo(check, self.source.bridge.fold.snapshot())
        words = "the latest answer is taken back" if undoable else "there is no answer to take back"
        self.notify(words, timeout=6, markup=False)
        if undoable:
            self.source.keys.say(Reply("undo"))

    def action_note_step(self) -> None:
        """Words for the record."""

        def noted(words: str | None) -> None:
            if words:
                self.source.session.operator("remark", text=clean(words))

        self.app.push_screen(WordsScreen("note for the record", "what you saw or did"), noted)

    def action_next_board(self) -> None:
        """The same plan for the board with the next number."""
        another = self.source.another
        if another is None or self.source.busy:
            words = "this plan is not over yet" if self.source.busy else "start the next board with its own command"
            self.notify(words, timeout=6, markup=False)
            return

        def named(serial: str | None) -> None:
            app = cast("WakelineApp", self.app)
            if serial:
                try:
                    app.go(another(serial))
                except WakelineError as error:
                    app.tell_trouble(error)

        question = WordsScreen(
            "serial number of the next board", "8", value=next_serial(self.source.serial), yes="begin with it"
        )
        self.app.push_screen(question, named)

    def action_zoom_plan(self) -> None:
        """One panel in the whole room, or all three."""
        self.action_zoom()

    def action_next_suspect(self) -> None:
        """Another one in full."""
        self.query_one(SuspectsPanel).next_one()

    def action_stop_plan(self) -> None:
        """Stop what runs, or leave the plan."""
        if not self.source.busy:
            self.notify("nothing runs any more", timeout=6, markup=False)
            return

        def sure(yes: bool | None) -> None:
            if yes:
                self.source.stop()

        self.app.push_screen(AskScreen("stop the plan here?", None, "stop", "go on"), sure)

    def _waiting(self) -> NextCheck | None:
        check = self.source.keys.check
        if check is None:
            self.notify("nothing is asked now", timeout=6, markup=False)
        return check

    def _done(self, yes: bool | None) -> None:
        if yes:
            self.source.keys.say(Reply("done"))

    def _said(self, reply: Reply | None) -> None:
        if reply is None:
            return
        if reply.outcome != OTHER:
            self.source.keys.say(reply)
            return

        def told(words: str | None) -> None:
            if words:
                self.source.keys.say(Reply("found", OTHER, text=clean(words)))

        self.app.push_screen(WordsScreen("what was wrong, and where?", "solder between U6.1 and U6.2"), told)
