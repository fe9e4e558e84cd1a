"""The app: theme, where one can go, and the actions that work everywhere."""

from __future__ import annotations

import os
from pathlib import Path
from typing import ClassVar

from textual.app import App
from textual.binding import BindingType

from console.errors import InputTrouble
from console.link.base import LinkSettings
from console.screens.actions import Scope, bindings
from console.screens.ask_screen import AskScreen, FileScreen
from console.screens.bench_screen import BenchScreen
from console.screens.help_screen import HelpScreen, help_of
from console.screens.palette import ActionProvider
from console.screens.ports_screen import PortsScreen
from console.screens.source import CaptureSource, LiveSource, Source
from console.screens.theme import NIGHT
from console.snapshot import Fold, exit_code
from console.text import clean

DEMO_SCENE = "tern-07"


class WakelineApp(App[int]):
    """The list of ports, and one bench over it. Leaves with the exit code of the last attempt if one was asked for."""

    TITLE = "wakeline"
    CSS_PATH = "wakeline.tcss"
    COMMANDS: ClassVar = {ActionProvider}
    COMMAND_PALETTE_BINDING = "f2"
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.EVERYWHERE)

    def __init__(
        self,
        *,
        port: LinkSettings | None = None,
        capture: Path | None = None,
        demo: bool = False,
        scene: str = DEMO_SCENE,
        speed: float | None = 1.0,
    ) -> None:
        """Args:
        port: opened at once.
        capture: replayed at once; raises InputTrouble when it cannot be read.
        demo: the guided story on the simulated board of `scene`.
        speed: of the capture, times recorded time; None = at once.
        """
        super().__init__()
        self.animation_level = "none"
        self.source: Source | None = None
        self._story: str | None = None
        self._tells_exit = port is not None or capture is not None or demo
        if capture is not None:
            self.source = CaptureSource(capture, speed)
        elif demo:
            self.source, self._story = LiveSource(LinkSettings(port=""), scene=scene), _title(scene)
        elif port is not None:
            self.source = LiveSource(port)

    @property
    def fold(self) -> Fold | None:
        """What the open source folds to."""
        return None if self.source is None else self.source.bridge.fold

    @property
    def loading(self) -> bool:
        """Whether a capture still plays."""
        return isinstance(self.source, CaptureSource) and self.source.loading

    def on_mount(self) -> None:
        """Ports below, the bench on top if something is to be opened."""
        self.register_theme(NIGHT)
        self.theme = NIGHT.name
        self.push_screen(PortsScreen())
        if self.source is not None:
            self.push_screen(BenchScreen(self.source, self._story))

    def open_port(self, settings: LinkSettings) -> None:
        """Open a port on the bench screen."""
        self._show(LiveSource(settings))

    def open_scene(self, scene: str) -> None:
        """Open a simulated board on the bench screen."""
        self._show(LiveSource(LinkSettings(port=""), scene=scene))

    async def action_back(self) -> None:
        """Unzoom, then close the bench; the list of ports is where it ends."""
        screen = self.screen
        if not isinstance(screen, BenchScreen) or screen.unzoom():
            return
        if self._runs():
            self.push_screen(AskScreen("something still runs: close this bench?", None, "close", "stay"), self._close_answered)
        else:
            await self._close_bench()

    async def action_quit(self) -> None:
        """Leave; ask while something runs."""
        if self._runs():
            question = "an attempt or a record still runs: leave?"
            self.push_screen(AskScreen(question, None, "leave", "stay"), lambda yes: self.leave() if yes else None)
        else:
            self.leave()

    def leave(self) -> None:
        """End with the exit code that a script would want."""
        fold = self.fold
        code = exit_code(fold.snapshot()) if self._tells_exit and fold is not None else 0
        self.exit(code)

    async def on_unmount(self) -> None:
        """Whatever way the app ends, ports and records are closed."""
        if self.source is not None:
            await self.source.close()

    def action_help(self) -> None:
        """Explain the focused widget."""
        self.push_screen(HelpScreen(*help_of(self.focused or self.screen)))

    def action_palette(self) -> None:
        """Find an action by words."""
        self.action_command_palette()

    def action_replay(self) -> None:
        """Ask for a capture and replay it."""
        here = sorted((p for p in Path.cwd().glob("*.pcapng")), key=lambda p: -p.stat().st_mtime)
        self.push_screen(FileScreen([clean(path.name) for path in here]), self._named)

    def _named(self, name: str | None) -> None:
        if name is None:
            return
        try:
            self._show(CaptureSource(Path(os.path.expanduser(name))))
        except InputTrouble as error:
            self.notify("\n".join(error.lines()[1:]), title=f"{error.code}: {error.message}", severity="error",
                        timeout=12, markup=False)  # fmt: skip

    def _runs(self) -> bool:
        return isinstance(self.source, LiveSource) and (self.source.busy or self.source.recording)

    async def _close_answered(self, yes: bool | None) -> None:
        if yes:
            await self._close_bench()

    def _show(self, source: Source) -> None:
        self.run_worker(self._change(source), exclusive=True, group="change")

    async def _change(self, source: Source) -> None:
        await self._close_bench()
        self.source = source
        await self.push_screen(BenchScreen(source))

    async def _close_bench(self) -> None:
        source, self.source = self.source, None
        if isinstance(self.screen, BenchScreen):
            await self.pop_screen()
        if source is not None:
            await source.close()

    def _fatal_error(self) -> None:
        """No traceback on the screen: `run_app` hands the error to the one place that turns it into words."""
        self._close_messages_no_wait()


def _title(scene: str) -> str:
    from console.bench.scenes import scenes

    return next((clean(one.title) for one in scenes() if one.name == scene), scene)


def run_app(
    *,
    port: LinkSettings | None = None,
    capture: Path | None = None,
    demo: bool = False,
    scene: str = DEMO_SCENE,
    speed: float | None = 1.0,
) -> int:
    """Run the screens until the person leaves; returns the exit code. Raises InputTrouble for an unreadable capture."""
    app = WakelineApp(port=port, capture=capture, demo=demo, scene=scene, speed=speed)
    code = app.run()
    if app._exception is not None:
        raise app._exception
    return 0 if code is None else code
