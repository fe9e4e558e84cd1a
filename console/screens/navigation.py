"""Where one is: the list of ports, or one bench over it; what is open gets closed whatever way one leaves."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from textual.app import App
from textual.screen import Screen

from console.errors import InputTrouble, PortTrouble, WakelineError
from console.link.base import LinkSettings
from console.mistake import mistake
from console.screens.advice import here
from console.screens.ports_screen import PortsScreen

if TYPE_CHECKING:
    from console.notebook.keeper import Keeper
    from console.screens.capture_source import CaptureSource
    from console.screens.plan_source import PlanSource
    from console.screens.source import LiveSource

    Source = LiveSource | CaptureSource | PlanSource
    from console.snapshot import Fold

# what would change where one is without being seen
_UNSEEN: Final = frozenset(("back", "replay", "notebook", "palette", "command_palette"))
_SLOW_S: Final = 1.0  # after this a person is told what they wait for
# a write is let go on to its next block, a port and a simulated board have deadlines of their own: all of it is shorter
_CLOSE_S: Final = 20.0


class Navigator(App[int]):
    """One source at a time.

    `tells_exit`: leaving gives the exit code of the last attempt, else 0. `last_words` are for the terminal after the
    screens have gone."""

    def __init__(self, source: Source | None, story: str | None, notebook: Path | None = None) -> None:
        """`notebook`: the one that was named, instead of the user's own."""
        super().__init__()
        self.source = source
        self.notebook = notebook
        self.tells_exit = source is not None
        self.last_words: list[str] = []
        self._first_story = story
        self._changing = asyncio.Lock()
        self._letting_go: asyncio.Task[None] | None = None
        self._last_note = ""

    @property
    def fold(self) -> Fold | None:
        """What the open source folds to."""
        return None if self.source is None else self.source.bridge.fold

    @property
    def loading(self) -> bool:
        """Whether a capture still plays."""
        return self.source is not None and self.source.loading

    @property
    def at_stake(self) -> str:
        """What closing the open source now would cut off or lose, in words; "" if nothing."""
        return "" if self.source is None else self.source.cuts_off or self.source.loses

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Under the notice that the window is too small, only what leaves the program or explains itself acts."""
        return action not in _UNSEEN or not getattr(self.screen, "too_small", False)

    def get_default_screen(self) -> Screen[None]:
        """The list of ports lies under everything."""
        return PortsScreen()

    async def on_mount(self) -> None:
        """The bench on top if something is to be opened at once."""
        if self.source is not None:
            await self._bench(self.source, self._first_story)

    async def on_unmount(self) -> None:
        """Whatever way the app ends, ports and records are closed."""
        if self._letting_go is not None and not self._letting_go.done():
            await asyncio.wait([self._letting_go], timeout=_CLOSE_S)
        if self.source is not None:
            trouble = await self._let_go(self.source, lambda words: None)
            from console.screens.parting import closing_words

            self.last_words += closing_words(self.source)
            self.last_words += [] if trouble is None else trouble.lines()

    def keeper(self) -> Keeper | None:
        """The notebook for a new session; one that cannot be used is told, and the session goes on without it."""
        from console.notebook.keeper import Keeper

        trouble: InputTrouble | None = None
        try:
            made = Keeper(self.notebook)
            trouble = made.trouble
        except InputTrouble as error:
            made, trouble = None, error
        if trouble is not None:
            self.tell_trouble(trouble)
        return made

    def open_port(self, settings: LinkSettings) -> None:
        """Open a port on the bench screen."""
        from console.screens.source import LiveSource

        self.go(LiveSource(settings, keeper=self.keeper()))

    def open_scene(self, scene: str) -> None:
        """Open a simulated board: on the bench screen, or a whole board by its plan."""
        from console.bench.scenes import scene as known
        from console.screens.source import LiveSource

        keeper = None if self.notebook is None else self.keeper()  # the user's own takes no simulated boards
        if (story := known(scene)).board:
            from console.screens.plan_source import scene_source

            self.go(scene_source(story, keeper))
            return
        self.go(LiveSource(LinkSettings(port=""), scene=scene, keeper=keeper))

    def open_capture(self, path: Path) -> None:
        """Replay a capture on the bench screen. Raises InputTrouble; nothing is closed then."""
        from console.screens.capture_source import CaptureSource

        self.go(CaptureSource(path))

    def go(self, source: Source | None) -> None:
        """Close what is open and show `source`, or the list of ports; ask first where that cuts off or loses something.

        In a task of its own: a screen cannot await its own end.
        """

        def change() -> None:
            self.run_worker(self._change(source), group="change")

        if stake := self.at_stake:
            self._ask(f"{stake}: close this bench?", "close", change)
        else:
            change()

    async def _change(self, source: Source | None) -> None:
        async with self._changing:
            before, self.source = self.source, source
            while len(self.screen_stack) > 1:
                await self.pop_screen()
            if before is not None:
                trouble = await self._let_go(before, self._tell)
                if trouble is not None:
                    self.tell_trouble(trouble)
                self._tell_kept(before)
            if source is not None:
                await self._bench(source, None)

    async def _let_go(self, source: Source, tell: Callable[[str], None]) -> WakelineError | None:
        """Close it. What goes wrong is returned, and keeps nothing else from being opened."""
        self._letting_go = closing = asyncio.create_task(source.close())
        done, _ = await asyncio.wait([closing], timeout=_SLOW_S)
        if not done:
            tell(f"closing {source.title}: it takes a moment")
            done, _ = await asyncio.wait([closing], timeout=_CLOSE_S)
        if not done:
            return PortTrouble(
                "close-late",
                "what was open does not close",
                where=source.title,
                help="go on; if its port stays busy, unplug the adapter and plug it in again",
            )
        error = closing.exception()
        return error if error is None or isinstance(error, WakelineError) else mistake(error)

    async def _bench(self, source: Source, story: str | None) -> None:
        from console.screens.plan_source import PlanSource

        if isinstance(source, PlanSource):
            from console.screens.bringup_screen import BringupScreen

            await self.push_screen(BringupScreen(source))
            return
        from console.screens.bench_screen import BenchScreen

        await self.push_screen(BenchScreen(source, story))

    async def action_back(self) -> None:
        """A step within the screen, then close what lies over the list of ports; the list of ports is where it ends."""
        stepped = getattr(self.screen, "stepped_back", None)  # a screen over others knows its own steps
        if stepped is not None:
            if not stepped():
                await self.pop_screen()
            return
        step_back = getattr(self.screen, "step_back", None)
        if len(self.screen_stack) == 1 or (step_back is not None and step_back()):
            return
        self.go(None)

    async def action_help_quit(self) -> None:  # type: ignore[override]  # awaited by Textual either way
        """Ctrl-C: what a person means by it is to leave."""
        await self.action_quit()

    async def action_quit(self) -> None:
        """Leave; ask while something runs."""
        if self.source is not None and (cut := self.source.cuts_off):
            self._ask(f"{cut}: leave?", "leave", self.leave)
        else:
            self.leave()

    def _ask(self, question: str, yes: str, act: Callable[[], None]) -> None:
        from console.screens.ask_screen import AskScreen

        self.push_screen(AskScreen(question, None, yes, "stay"), lambda sure: act() if sure else None)

    def leave(self) -> None:
        """End with the exit code that a script would want."""
        from console.snapshot import exit_code

        fold = self.fold
        snapshot = fold.snapshot() if self.tells_exit and fold is not None else None
        # nothing was tried, so nothing failed
        tried = snapshot is not None and (
            snapshot.attempt > 0 or snapshot.problem is not None or snapshot.bringup is not None
        )
        self.exit(exit_code(snapshot) if snapshot is not None and tried else 0)

    def try_capture(self, name: str | None) -> None:
        """Open the capture a person named; a wrong one is told and changes nothing."""
        if name is None:
            return
        try:
            self.open_capture(Path(name).expanduser())
        except InputTrouble as error:
            self.tell_trouble(error)

    def notify(self, message: str, **how: Any) -> None:
        """Every note in a corner of the screens, whichever widget has it shown; the same words do not pile up."""
        words = here(message)
        if words == self._last_note:
            self.clear_notifications()
        self._last_note = words
        super().notify(words, **how)

    def tell_trouble(self, error: WakelineError) -> None:
        """What happened, where, and what to do next; never markup."""
        title = f"{error.code}: {error.message}"
        self.notify("\n".join(error.lines()[1:]), title=title, severity="error", timeout=12, markup=False)

    def _tell(self, words: str) -> None:
        self.notify(words, timeout=8, markup=False)

    def _tell_kept(self, source: Source) -> None:
        from console.screens.parting import short_words

        kept = source.kept
        if kept is not None and kept.trouble is not None:
            self.tell_trouble(kept.trouble)
        elif words := short_words(source):
            self._tell("\n".join(words))
