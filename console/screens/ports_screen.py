"""The list of ports, live, with the simulated bench beside them."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, cast

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.content import Content
from textual.events import Resize
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from console.link.base import LinkSettings
from console.link.bridge_rates import line_rate, rate_words
from console.screens.actions import Scope, bindings, key_line, of_scopes
from console.screens.marked import MARK, MarkedList
from console.screens.sized import SizedScreen
from console.screens.text import fit, line
from console.text import clean

if TYPE_CHECKING:
    from console.link.ports import PortInfo
    from console.screens.app import WakelineApp


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that can be opened: a port, or a scene of the simulated bench."""

    id: str
    name: str
    words: str
    detail: tuple[tuple[str, str], ...]
    port: str | None = None
    scene: str | None = None
    state: str = ""


class PortList(MarkedList):
    """The entries under two headings."""

    HELP: ClassVar[str] = (
        "Ports of this machine and boards of the simulated bench. The list is live: plug an adapter in and it appears. "
        "Enter opens what is highlighted; below the list stands who holds the port, or what keeps you from opening it "
        "and its cure. When your board does not show up, p watches what happens while you plug it in. A simulated "
        "board runs in a process of its own behind a real port: nothing can be damaged."
    )


class PortsScreen(SizedScreen):
    """Where everything begins."""

    HELP: ClassVar[str] = PortList.HELP
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.PORTS)
    AUTO_FOCUS = "#ports"

    def __init__(self) -> None:
        super().__init__()
        self.ports: list[PortInfo] = []
        self.scenes: tuple[tuple[str, str], ...] = ()
        self.boards: tuple[tuple[str, str], ...] = ()
        self.looked = False
        self._entries: dict[str, Entry] = {}

    def compose(self) -> ComposeResult:
        """Headline, list, detail, keys."""
        yield Static(line(("wakeline", "bold $text-primary"), "  choose a port, or a simulated board"), id="headline")
        listing = PortList(id="ports", markup=False)
        listing.border_title = "ports"
        yield listing
        yield Static("", id="detail", markup=False)
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Look, and go on looking."""
        self._fill()
        self._watch()

    def on_resize(self, event: Resize) -> None:
        """Other widths."""
        self._fill()
        order = (*of_scopes(Scope.PORTS), *of_scopes(Scope.EVERYWHERE))
        self.query_one("#keys", Static).update(key_line(order, max(10, self.size.width - 2)))

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        """Tell all about it."""
        self._tell(event.option.id)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Enter on the list, or a click."""
        self._open(event.option.id)

    def action_open(self) -> None:
        """Open the highlighted entry."""
        listing = self.query_one(PortList)
        if listing.highlighted is not None:
            self._open(listing.get_option_at_index(listing.highlighted).id)

    def action_look_again(self) -> None:
        """Start looking afresh."""
        self._watch()

    def action_plug_watch(self) -> None:
        """Watch what plugging does."""
        from console.screens.plug_screen import PlugScreen

        self.app.push_screen(PlugScreen())

    @work(exclusive=True, group="watch")
    async def _watch(self) -> None:
        from console.link.ports import POLL_S, list_ports

        while True:
            try:
                ports, scenes, boards = await asyncio.to_thread(lambda: (list_ports(), _scenes(), _boards()))
            except OSError:  # a device may vanish while it is looked at
                await asyncio.sleep(POLL_S)
                continue
            if (ports, scenes, boards, True) != (self.ports, self.scenes, self.boards, self.looked):
                self.ports, self.scenes, self.boards, self.looked = ports, scenes, boards, True
                self._fill()
            await asyncio.sleep(POLL_S)

    def _fill(self) -> None:
        listing = self.query_one(PortList)
        before = listing.highlighted
        chosen = listing.get_option_at_index(before).id if before is not None else None
        width = max(40, self.size.width - 4 - len(MARK))
        real = [_port_entry(port) for port in self.ports if not port.phantom]
        simulated = [_board_entry(*board) for board in self.boards] + [_scene_entry(*scene) for scene in self.scenes]
        self._entries = {entry.id: entry for entry in (*real, *simulated)}
        name = min(width // 2, max((len(entry.name) for entry in self._entries.values()), default=0) + 2)
        listing.clear_options()
        nothing = "none found: plug an adapter in; if it does not appear, press p" if self.looked else "looking…"
        listing.add_option(Option(line(("ports of this machine", "$text-accent")), disabled=True))
        listing.add_options([Option(_row(entry, name, width), id=entry.id) for entry in real])
        if not real:
            listing.add_option(Option(line(("  " + nothing, "$secondary")), disabled=True))
        listing.add_option(Option(line(("simulated bench: nothing to break", "$text-accent")), disabled=True))
        listing.add_options([Option(_row(entry, name, width), id=entry.id) for entry in simulated])
        ids = [listing.get_option_at_index(at).id for at in range(listing.option_count)]
        if chosen in ids and chosen is not None:
            listing.highlighted = ids.index(chosen)
        else:
            listing.highlighted = next((at for at, name in enumerate(ids) if name is not None), None)
        self._tell(ids[listing.highlighted] if listing.highlighted is not None else None)

    def _tell(self, id: str | None) -> None:
        entry = self._entries.get(id or "")
        words = [] if entry is None else [line((f"{name:>9}  ", "$secondary"), text) for name, text in entry.detail]
        self.query_one("#detail", Static).update(Content("\n").join(words))

    def _open(self, id: str | None) -> None:
        entry = self._entries.get(id or "")
        if entry is None:
            return
        app = cast("WakelineApp", self.app)
        if entry.scene is not None:
            app.open_scene(entry.scene)
        elif entry.port is not None:
            app.open_port(LinkSettings(port=entry.port))


def _row(entry: Entry, name: int, width: int) -> Content:
    state = 18
    return line(
        ("  " + fit(entry.name, name), "bold"),
        " " + fit(entry.words, width - name - state - 4),
        (" " + fit(entry.state, state), "$text-warning" if entry.state.startswith("▲") else "$secondary"),
    )


def _port_entry(port: PortInfo) -> Entry:
    usb = "" if port.vid is None else f"USB {port.vid:04x}:{port.pid or 0:04x}"
    identity = ", ".join(
        part
        for part in (usb, port.manufacturer, port.product, port.serial_number and f"serial number {port.serial_number}")
        if part
    )
    detail = [("port", port.device), ("identity", identity or "no USB identity")]
    rate = line_rate(port.vid, port.pid, LinkSettings(port.device).baud)
    if rate is not None:
        detail.append(("rate", rate_words(rate)))
    state = "free"
    if port.holder:
        state = "▲ held"
        detail.append(("held by", port.holder))
    if port.trouble:
        state = "▲ no permission" if not port.accessible else "▲ see below"
        detail += [("trouble", port.trouble), ("cure", port.cure or "see the help")]
    return Entry(
        f"port:{port.device}", port.device, f"{port.title}  {usb}".strip(), tuple(detail), port.device, None, state
    )


def _scene_entry(name: str, title: str) -> Entry:
    detail = (("scene", name), ("story", title), ("note", "Enter starts this board in a process of its own"))
    return Entry(f"scene:{name}", name, title, detail, scene=name, state="simulated")


def _board_entry(port: str, words: str) -> Entry:
    detail = (("port", port), ("board", words), ("note", "a simulated board that somebody started already"))
    return Entry(f"board:{port}", port, words, detail, port=port, state="simulated, runs")


def _scenes() -> tuple[tuple[str, str], ...]:
    from console.bench.scenes import scenes

    return tuple((clean(scene.name), clean(scene.title)) for scene in scenes())


def _boards() -> tuple[tuple[str, str], ...]:
    from console.bench import control

    return tuple((clean(entry.port), clean(f"running: {entry.scene}")) for entry in control.running())
