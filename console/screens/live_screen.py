"""What a person can do on a live port: attempts, the loop of proposed checks and answers, the record."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, ClassVar, cast

from textual import work

from console.causes.rank import NextCheck
from console.errors import WakelineError
from console.operating import Reply, extras
from console.screens import line_tests_menu, task_screen
from console.screens.ask_screen import AskScreen, ChooseScreen, FoundScreen, WordsScreen
from console.screens.naming import ask_board
from console.screens.sized import SizedScreen
from console.screens.source import LiveSource, Source
from console.session.line_tests import CHECKS
from console.snapshot import Snapshot
from console.text import clean

if TYPE_CHECKING:
    from console.screens.app import WakelineApp

_SWAP_CAUTION = "power the board before driving its signal pins; a lit LED may be phantom power"


class LiveScreen(SizedScreen):
    """Commands to a source; what they lead to arrives as snapshots."""

    HELP: ClassVar[str] = "h tries the handshake, d answers the proposed check, x stops."

    def __init__(self, source: Source) -> None:
        super().__init__()
        self.source = source
        self.snapshot: Snapshot = source.bridge.fold.snapshot()
        self._told_record_trouble = False

    @work(exclusive=True, group="command")
    async def _command(self, *steps: Callable[[], Awaitable[object]], first: bool = False) -> None:
        if not first:  # what was told before belongs to what was before; how the bench before it closed stays
            self.app.clear_notifications()
        try:
            for step in steps:
                await step()
        except WakelineError as error:
            self.trouble(error)
        if isinstance(self.source, LiveSource) and (news := self.source.take_news()):
            self.tell(news)
        self.source.bridge.stir()

    def trouble(self, error: WakelineError) -> None:
        """What happened, where, and what to do next."""
        cast("WakelineApp", self.app).tell_trouble(error)

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

    def action_line_tests(self) -> None:
        """Choose a test of the line."""
        if (source := self._live()) is not None:
            line_tests_menu.choose(self.app, source, self._command)

    def action_program(self) -> None:
        """Choose what shall be done to the chip."""
        if (source := self._live()) is not None:
            task_screen.choose(self.app, source)

    def action_stop(self) -> None:
        """Stop the attempt."""
        if isinstance(self.source, LiveSource):
            self.source.stop()

    def action_swap_done(self) -> None:
        """Ask, record, repeat."""
        self._ask_done("swap-done", "TX and RX are swapped at the adapter: try again?")

    def action_check_done(self) -> None:
        """The check that is asked for: done by the console, by hand, or read."""
        check, source = self.snapshot.next_check, self._live()
        if source is None:
            return
        if check is None:
            self.tell("no check is asked for; h tries again")
        elif check.id in CHECKS:
            line_tests_menu.prepare(self.app, source, CHECKS[check.id], self._command)
        elif check.change:
            self._ask_done(check.action or "", _done_words(check), check)
        else:
            self._ask_found(source, check)

    def _ask_found(self, source: LiveSource, check: NextCheck) -> None:
        """A reading: its value, or which of its outcomes it was."""

        async def ask() -> None:
            async with source.stimulated(check, self._ask_reset):
                reply = await self.app.push_screen_wait(FoundScreen(check))
            if reply is not None:
                await source.found(check, reply)

        self._command(ask)

    async def _ask_reset(self, words: str) -> bool:
        return await self.app.push_screen_wait(AskScreen(f"{words}. done?", None, "it is reset, go on", "not now"))

    def action_skip_check(self) -> None:
        """Another check, please."""
        check, source = self.snapshot.next_check, self._live()
        if source is not None and check is None:
            self.tell("no check is asked for")
        elif source is not None:
            source.told(Reply("skip"), check)

    def action_undo(self) -> None:
        """The latest answer was wrong."""
        source = self._live()
        if source is not None and not self.snapshot.undoable:
            self.tell("there is no answer to take back")
        elif source is not None:
            source.told(Reply("undo"))
            self.tell(f"taken back: {self.snapshot.undoable}")

    def action_note(self) -> None:
        """Words for the record."""
        source = self._live()

        def noted(words: str | None) -> None:
            if words and source is not None:
                source.told(Reply("note", text=clean(words)))

        if source is not None:
            self.app.push_screen(WordsScreen("note for the record", "what you saw or did"), noted)

    def action_at_hand(self) -> None:
        """What is at hand beyond a usual bench."""
        source, items = self._live(), tuple(extras().items())

        def chosen(number: int | None) -> None:
            if number is not None and source is not None:
                source.told(Reply("have", text=items[number][0]))

        if source is not None:
            self.app.push_screen(ChooseScreen("what do you have at hand?", None, items, "that is at hand"), chosen)

    def _ask_done(self, action: str, question: str, check: NextCheck | None = None) -> None:
        source = self._live()
        if source is None:
            return
        caution = check.caution if check is not None else _SWAP_CAUTION
        means = check.answers if check is not None else ()

        def answered(yes: bool | None) -> None:
            if yes and check is not None:
                self._command(lambda: source.tried(check))
            elif yes:
                self._command(lambda: source.done(action), source.handshake)

        self.app.push_screen(AskScreen(question, caution, "it is done, try again", "not yet", means), answered)

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


def _done_words(check: NextCheck) -> str:
    # what was sent before may have spoiled the loader's measuring of the rate (AN3155 s.1): only a reset clears it
    reset = ", and the board reset after it" if check.repair else ""
    return f"done: {check.title}{reset}?"
