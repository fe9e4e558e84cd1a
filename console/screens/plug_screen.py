"""The plug watch: plug and unplug while it looks, and it says why a board does not show up."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar, Final, cast

from textual import work
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, VerticalScroll
from textual.content import Content
from textual.events import Resize
from textual.widgets import Static

from console.causes.plug import PlugFold
from console.causes.rank import NextCheck
from console.link.base import LinkSettings
from console.link.plug_watch import PlugWatch, looks
from console.screens.actions import BY_ID, Scope, bindings, key_line, of_scopes
from console.screens.advice import here
from console.screens.causes_panel import cause_lines, wrap
from console.screens.panel import put
from console.screens.sized import SizedScreen
from console.screens.text import fit, line

if TYPE_CHECKING:
    from console.screens.app import WakelineApp

_SIGNS: Final = {"waiting": ("…", "$text-accent"), "settling": ("…", "$text-accent"), "gone": ("·", "$secondary"),
                 "good": ("✓", "$text-success")}  # fmt: skip
_TROUBLE: Final = ("✗", "$text-error")
_ARROWS: Final = {"came": "+", "left": "-", "port": "▶", "kernel": "k", "note": "·"}
_FEW: Final = 4


class PlugText(VerticalScroll):
    """Lines that are painted anew for another width."""

    HELP: ClassVar[str] = "Arrows and Page keys scroll; Tab moves to the other panel."
    TITLE: ClassVar[str] = ""

    def __init__(self, paint: Callable[[int], list[Content]], id: str) -> None:
        super().__init__(id=id, classes="panel")
        self._paint = paint
        self._text = Static("", markup=False)

    def compose(self) -> ComposeResult:
        """One text."""
        yield self._text

    def on_mount(self) -> None:
        """Name the panel on its top edge."""
        self.border_title = self.TITLE

    def on_resize(self, event: Resize) -> None:
        """Another width."""
        self.paint_now()

    def paint_now(self) -> None:
        """Paint what there is."""
        if self.size.width:
            put(self._text, Content("\n").join(self._paint(max(20, self.scrollable_content_region.width))))


class VerdictPanel(PlugText):
    """What the watch says, the suspects, and what to do."""

    TITLE = "verdict"
    HELP = (
        "What plugging showed so far. When the board does not come up, the suspects follow, each with what speaks for "
        "it; their numbers come from reasoned weights and order them, they are no measured rates. 'next' is the step "
        "that most likely settles it for its minutes; do it and plug again, the watch goes on.\n\n"
        "u forgets everything and begins anew. e makes the device that came last the expected one: plug a board that "
        "works, press e, then plug the one that does not."
    )


class EventsPanel(PlugText):
    """What happened, in order."""

    TITLE = "what happened"
    HELP = (
        "Seconds since the watch began, the USB socket as the kernel counts it (1-4.2: bus 1, socket 4, there socket "
        "2 of a hub), and what happened: + came, - went, ▶ a port, k the kernel's own words explained. It follows the "
        "newest line while it stands at the end."
    )

    def paint_now(self) -> None:
        """Paint, and stay at the end if it was there."""
        at_end = self.scroll_offset.y >= self.max_scroll_y
        super().paint_now()
        if at_end:
            self.call_after_refresh(self.scroll_end, animate=False)


class PlugScreen(SizedScreen):
    """Verdict and events of one watch."""

    HELP: ClassVar[str] = VerdictPanel.HELP
    BINDINGS: ClassVar[list[BindingType]] = bindings(Scope.PLUG)
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide")]  # noqa: RUF012  # the base class declares it so
    AUTO_FOCUS = "#verdict"

    def __init__(self) -> None:
        super().__init__()
        self.fold = PlugFold()
        self.notes: tuple[str, ...] = ()
        self.verdict = self.fold.verdict()
        self._shown: object = None

    def compose(self) -> ComposeResult:
        """Headline, two panels, keys."""
        yield Static(
            line(("wakeline", "bold $text-primary"), "  plug watch: plug the board in, or out and in again"),
            id="headline",
        )
        with Container(id="plug"):
            yield VerdictPanel(self._verdict_lines, "verdict")
            yield EventsPanel(self._event_lines, "events")
        yield Static("", id="keys", markup=False)

    def on_mount(self) -> None:
        """Look, and go on looking."""
        self._watch()

    def on_resize(self, event: Resize) -> None:
        """As many keys as fit."""
        first = (*of_scopes(Scope.PLUG), *(BY_ID[name] for name in ("back", "help", "palette", "quit")))
        order = (*first, *(action for action in of_scopes(Scope.EVERYWHERE) if action not in first))
        self.query_one("#keys", Static).update(key_line(order, max(10, self.size.width - 2)))

    def action_open_found(self) -> None:
        """Open the port that came and stays."""
        port = self.verdict.port
        if port is None:
            self.notify("no port came up yet that can be opened", timeout=6, markup=False)
        else:
            cast("WakelineApp", self.app).open_port(LinkSettings(port=port))

    def action_watch_afresh(self) -> None:
        """Forget what was seen."""
        self.fold = PlugFold(self.fold.expected)
        self._watch()

    def action_expect(self) -> None:
        """The device that came last is the one to expect; again: none is."""
        fold, device = self.fold, self.fold.last_device
        if fold.expected is not None:
            fold.expected = None
            words = "any device is welcome again"
        elif device is None or device.vid is None:
            words = "no device came yet: plug one in that is as it should be"
        else:
            fold.expected = (device.vid, device.pid or 0)
            words = f"expected from now on: {device.title}"
        self.notify(words, timeout=6, markup=False)
        self._show()

    @work(exclusive=True, group="plug")
    async def _watch(self) -> None:
        with PlugWatch() as watch:
            self.notes = watch.notes
            async for look in looks(watch):
                self.fold.add(look)
                self._show()

    def _show(self) -> None:
        self.verdict = self.fold.verdict()
        now = (self.verdict, self.fold.told, self.fold.expected)
        if now != self._shown:
            self._shown = now
            for panel in self.query(PlugText):
                panel.paint_now()

    def _verdict_lines(self, width: int) -> list[Content]:
        verdict = self.verdict
        sign, style = _SIGNS.get(verdict.kind, _TROUBLE)
        out = wrap(f"{sign} ", verdict.title, width, f"bold {style}")
        out += wrap("  ", verdict.detail, width) if verdict.detail else []
        if verdict.caution and not (verdict.steps and verdict.steps[0].caution == verdict.caution):
            out += wrap("▲ caution: ", verdict.caution, width, "$text-warning")
        if verdict.steps:
            out += _step("next: ", verdict.steps[0], width)
        elif verdict.help:
            key = " (Enter)" if verdict.port else ""
            out += wrap("next: ", here(verdict.help) + key, width, "bold $text-accent")
        for number, cause in enumerate(verdict.causes[:_FEW]):
            out += cause_lines(cause, width, first=number == 0)
        for step in verdict.steps[1:_FEW]:
            out += _step("then: ", step, width)
        if self.fold.expected is not None:
            out += wrap("expected: ", "{:04x}:{:04x}".format(*self.fold.expected), width, "$secondary")
        return out + [one for note in self.notes for one in wrap("note: ", note, width, "$secondary")]

    def _event_lines(self, width: int) -> list[Content]:
        if not self.fold.events:
            return [line(("nothing came or went yet", "$secondary"))]
        place = min(12, max(len(event.place) for event in self.fold.events))
        out = []
        for event in self.fold.events:
            head = f"{event.t_s:7.1f} s {fit(event.place, place)} {_ARROWS[event.kind]} "
            out += wrap(head, event.text, width, "$secondary" if event.kind == "kernel" else "")
        return out


def _step(head: str, step: NextCheck, width: int) -> list[Content]:
    out = wrap(
        head, f"{step.title} (about {step.minutes:g} min)", width, "bold $text-accent" if head[0] == "n" else "bold"
    )
    if step.caution:
        out += wrap("  ▲ caution: ", step.caution, width, "$text-warning")
    return out + wrap("  ", step.why, width, "$secondary")
