"""A task on the chip from the handshake to the proof: progress on top, stages, what was said; and its questions."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, ClassVar, Final, TypeVar, cast

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.content import Content
from textual.events import Resize
from textual.message_pump import MessagePump
from textual.screen import ModalScreen
from textual.widgets import Static

from console.errors import WakelineError
from console.programming.chip_file import load_chip_file
from console.programming.chips import Chip
from console.screens.actions import BY_ID, Action, Scope, bindings, key_line, of_scopes
from console.screens.advice import here
from console.screens.ask_screen import ChooseScreen, WordsScreen
from console.screens.bridge import SnapshotReady
from console.screens.causes_panel import wrap
from console.screens.chip_task import ChipTask
from console.screens.consent_screen import ConsentScreen, paragraphs
from console.screens.panel import TextPanel, put
from console.screens.progress_panel import ProgressPanel
from console.screens.sized import SizedScreen
from console.screens.source import LiveSource
from console.screens.stages_panel import StagesPanel
from console.screens.text import line
from console.snapshot import Snapshot
from console.words import outcome_words, size

if TYPE_CHECKING:
    from console.screens.app import WakelineApp

T = TypeVar("T")
_OWN: Final = ("another one", "described in a file of your own")


class SaidPanel(TextPanel):
    """The plan, notes and results, as they came."""

    TITLE = "plan and notes"
    HELP = (
        "What the task said, the newest at the end: the plan, where the backup is, what had to be repeated and why. "
        "Arrows and Page keys scroll."
    )

    def __init__(self, said: Iterable[str], id: str) -> None:
        super().__init__(id)
        self.said = said

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """All of it, wrapped."""
        out: list[Content] = []
        for text in paragraphs(self.said):
            style = "$text-warning" if text.startswith(("caution:", "look:", "note:")) else ""
            out += wrap("", here(text), width, style)
        self.call_after_refresh(self.scroll_end, animate=False)
        return out or [line(("nothing to note", "$secondary"))]


class TaskScreen(SizedScreen):
    """Shows a task that the source carries out; implements `console.screens.chip_task.Hands`."""

    HELP: ClassVar[str] = (
        "A task on the chip. x stops it where no block is left half done; x again stops at once. When it is over, s "
        "starts the program that was written, r goes on where it was cut off, Escape goes back to the bench."
    )
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.TASK)
    # the base class declares it as an instance variable
    VERTICAL_BREAKPOINTS = [(0, "-low"), (30, "-high")]  # noqa: RUF012
    AUTO_FOCUS = "#said"

    def __init__(self, source: LiveSource, task: ChipTask) -> None:
        super().__init__()
        self.source = source
        self.chip_task = task
        self.snapshot: Snapshot = source.bridge.fold.snapshot()
        self._before: MessagePump | None = None

    def compose(self) -> ComposeResult:
        """Headline, progress, stages, what was said, keys."""
        yield Static("", id="headline", markup=False)
        yield ProgressPanel(self.chip_task, "progress")
        yield StagesPanel("stages")
        yield SaidPanel(self.chip_task.said, "said")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Pictures come here from now on; begin."""
        self._before, self.source.bridge.target = self.source.bridge.target, self
        self._begin(self.chip_task)

    def on_unmount(self) -> None:
        """The bench gets the pictures again."""
        if self.source.bridge.target is self:
            self.source.bridge.target = self._before
            self.source.bridge.stir()

    def on_resize(self, event: Resize) -> None:
        """As many keys as fit."""
        self._keys()

    def on_snapshot_ready(self, message: SnapshotReady) -> None:
        """A new picture."""
        self.show_snapshot(message.snapshot)

    def show_snapshot(self, snapshot: Snapshot) -> None:
        """Hand a picture to every panel."""
        self.snapshot = snapshot
        for panel in self.query(TextPanel):
            panel.snapshot = snapshot
        self._around()

    def offers(self, action: Action) -> bool:
        """Whether the action makes sense now, for the palette."""
        task = self.chip_task
        fits = {
            "task-stop": task.running,
            "task-start": task.startable,
            "task-resume": task.resumable,
            "back": not task.running,
            "replay": False,
        }
        return fits.get(action.id, action.scope is Scope.EVERYWHERE)

    def step_back(self) -> bool:
        """To the bench once the task is over; Escape stops nothing."""
        if self.chip_task.running:
            self._tell("it runs: x stops it at the next block")
        else:
            self.dismiss()
        return True

    def action_task_stop(self) -> None:
        """Stop."""
        if self.chip_task.running:
            self.source.stop()

    def action_task_start(self) -> None:
        """Start what was written."""
        if self.chip_task.startable:
            self.source.start_program()
            self.news()
        else:
            self._tell("a program that this task wrote and proved can be started, once")

    def action_task_resume(self) -> None:
        """Go on after a cut."""
        if self.chip_task.running:
            self._tell("it runs: x stops it")
        elif not self.chip_task.resumable:
            self._tell("it is done: there is nothing to go on with")
        else:
            try:
                self._begin(self.chip_task.resumed())
            except WakelineError as error:
                cast("WakelineApp", self.app).tell_trouble(error)

    # ------------------------------------------------------------- the hands

    async def consent(self, said: Sequence[str], question: str, wanted: str) -> bool:
        """The plan and the question over everything."""
        agreed = await self._asked(ConsentScreen(said, question, wanted))
        return agreed is True

    async def which_chip(self, product_id: int, fitting: Sequence[Chip]) -> Chip | None:
        """One of those that fit, or one from a file. Raises InputTrouble and UsageTrouble for that file."""
        answers = [(chip.name, f"up to {size(chip.flash_size)} of flash") for chip in fitting]
        question = (
            f"which chip says 0x{product_id:03X}? look at its type" if fitting else f"0x{product_id:03X} is unknown"
        )
        number = await self._asked(ChooseScreen(question, None, [*answers, _OWN], "it is this one"))
        if number is None:
            return None
        if number < len(fitting):
            return fitting[number]
        path = await self._asked(WordsScreen("a TOML file that describes the chip", "path"))
        return None if path is None else load_chip_file(path)[0]

    def news(self) -> None:
        """Something was said, or it began or ended."""
        if self.is_attached:
            for panel in self.query(TextPanel):
                panel.paint_again()
            self._around()

    async def _asked(self, screen: ModalScreen[T]) -> T | None:
        answer: asyncio.Future[T | None] = asyncio.get_running_loop().create_future()

        def answered(given: T | None) -> None:
            if not answer.done():
                answer.set_result(given)

        self.app.push_screen(screen, answered)
        self.news()
        return await answer

    def _begin(self, task: ChipTask) -> None:
        self.chip_task = self.query_one(ProgressPanel).chip_task = task
        self.query_one(SaidPanel).said = task.said
        task.hands = self
        self.source.work(task)
        self.show_snapshot(self.source.bridge.fold.snapshot())
        self.news()

    def _around(self) -> None:
        put(self.query_one("#headline", Static), self._headline())
        self._keys()

    def _keys(self) -> None:
        actions = (*of_scopes(Scope.TASK), *(BY_ID[name] for name in ("back", "help", "palette", "quit")))
        offered = tuple(action for action in actions if self.offers(action))
        put(self.query_one("#keys", Static), key_line(offered, max(10, self.size.width - 2)))

    def _headline(self) -> Content:
        settings = dict(self.snapshot.settings)
        rate = f"  {settings['baud']} {settings.get('frame', '')}" if "baud" in settings else ""
        task, trouble = self.chip_task, self.chip_task.trouble
        if task.running:
            words, style = "… running", "$text-accent"
        else:
            outcome = trouble.outcome if trouble is not None else self.snapshot.outcome
            words, style = outcome_words(outcome), "$text-success" if task.on is not None else "$text-error"
        return line(
            ("wakeline ", "bold $text-primary"), self.source.title, (rate, "$secondary"), f"  {task.name}  ",
            (words, f"bold {style}"),
        )  # fmt: skip

    def _tell(self, words: str) -> None:
        self.notify(words, timeout=6, markup=False)


def choose(app: Any, source: LiveSource) -> None:
    """Ask which task, then for what it needs, then show it run."""
    from console.screens.job_screen import FORMS, JobScreen

    names = list(FORMS)

    def chosen(number: int | None) -> None:
        if number is not None:
            app.push_screen(JobScreen(names[number], source.name, source.listen_s), wanted)

    def wanted(task: ChipTask | None) -> None:
        if task is None:
            return
        if source.busy:  # something else was begun meanwhile
            app.notify("an attempt runs: x stops it", timeout=6, markup=False)
        else:
            app.push_screen(TaskScreen(source, task))

    answers = [(name, form.title) for name, form in FORMS.items()]
    app.push_screen(ChooseScreen("what shall be done to the chip?", None, answers, "go on"), chosen)
