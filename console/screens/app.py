"""The app: theme, and the actions that work everywhere.

What the list of ports does not need is imported when it is used, so that the first screen is up at once.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import App
from textual.binding import BindingType

from console.link.base import LinkSettings
from console.screens.actions import Scope, bindings
from console.screens.navigation import Navigator
from console.screens.theme import NIGHT
from console.signals import heeded

if TYPE_CHECKING:
    from textual.command import Provider

    from console.notebook.keeper import Keeper
    from console.screens.navigation import Source
    from console.screens.plan_source import PlanSource

DEMO_SCENE = "tern-07"


def action_provider() -> type[Provider]:
    """What the palette offers."""
    from console.screens.palette import ActionProvider

    return ActionProvider


class WakelineApp(Navigator):
    """The list of ports, and one bench over it."""

    TITLE = "wakeline"
    CSS_PATH = Path(__file__).with_name("wakeline.tcss")  # absolute: a subclass may live elsewhere
    COMMANDS: ClassVar = {action_provider}
    COMMAND_PALETTE_BINDING = "f2"
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.EVERYWHERE)

    def __init__(
        self,
        *,
        port: LinkSettings | None = None,
        family: str | None = None,
        capture: Path | None = None,
        demo: bool = False,
        scene: str = DEMO_SCENE,
        speed: float | None = 1.0,
        plan: PlanSource | None = None,
        keeper: Keeper | None = None,
    ) -> None:
        """Open what is asked for at once.

        Args:
            port: a port to open.
            family: the protocol to speak on `port`; None for the usual one.
            capture: a file to replay; raises InputTrouble when it cannot be read.
            demo: the guided story on the simulated board of `scene`.
            scene: which simulated board.
            speed: of the capture, times recorded time; None = at once.
            plan: a whole board to bring up.
            keeper: puts the session on the port or board into a notebook; a named one is used for later sessions too.
        """
        source: Source | None = plan
        story = None
        if capture is not None or demo or port is not None:
            from console.screens.capture_source import CaptureSource
            from console.screens.source import LiveSource, scene_title

            if capture is not None:
                source = CaptureSource(capture, speed)
            elif demo:
                source, story = LiveSource(LinkSettings(port=""), scene=scene, keeper=keeper), scene_title(scene)
            elif port is not None:
                source = LiveSource(port, family=family, keeper=keeper)
        super().__init__(source, story, keeper.path if keeper is not None and keeper.named else None)
        self.animation_level = "none"
        self.register_theme(NIGHT)
        # before the first style sheet is read, so that it is read only once; no watcher runs yet to pass the colours on
        self.set_reactive(App.theme, NIGHT.name)
        self.stylesheet.set_variables(self.get_css_variables())

    def action_help(self) -> None:
        """Explain the focused widget."""
        from console.screens.help_screen import HelpScreen, help_of, places_of

        self.push_screen(HelpScreen(*help_of(self.focused or self.screen), places_of(self.focused or self.screen)))

    async def action_palette(self) -> None:
        """Find an action by words."""
        from textual.command import CommandPalette
        from textual.widgets import Input

        palette = CommandPalette(placeholder="find an action by its words")
        await self.push_screen(palette)
        for box in palette.query(Input):
            box.cursor_blink = False

    async def action_command_palette(self) -> None:  # type: ignore[override]  # awaited by Textual either way
        """The same under the name that Textual binds."""
        await self.action_palette()

    def action_replay(self) -> None:
        """Ask for a capture and replay it."""
        from console.screens.ask_screen import FileScreen

        self.push_screen(FileScreen(), self.try_capture)

    def action_notebook(self) -> None:
        """What the bench remembers, over whatever is open."""
        from console.screens.notebook_screen import NotebookScreen

        if not isinstance(self.screen, NotebookScreen):
            self.push_screen(NotebookScreen(self.notebook))

    def _fatal_error(self) -> None:
        """No traceback on the screen: `run_app` hands the error to the one place that turns it into words."""
        self._close_messages_no_wait()


def run_app(
    *,
    port: LinkSettings | None = None,
    family: str | None = None,
    capture: Path | None = None,
    demo: bool = False,
    scene: str = DEMO_SCENE,
    speed: float | None = 1.0,
    plan: PlanSource | None = None,
    keeper: Keeper | None = None,
) -> int:
    """Run the screens until the person leaves; returns the exit code. Raises InputTrouble for an unreadable capture."""
    app = WakelineApp(
        port=port, family=family, capture=capture, demo=demo, scene=scene, speed=speed, plan=plan, keeper=keeper
    )

    async def until_left() -> int | None:
        with heeded(app.leave):  # as with q, and nobody is there to be asked: what runs on a chip ends at a border
            return await app.run_async()

    code = asyncio.run(until_left())
    if app.last_words:
        print("\n".join(app.last_words))
    if app._exception is not None:
        raise app._exception
    return 0 if code is None else code
