"""A screen of panels of which one can have the whole room, until Escape or the same key brings the others back."""

from __future__ import annotations

from typing import ClassVar

from textual.events import DescendantFocus
from textual.widget import Widget

from console.screens.panel import TextPanel
from console.screens.sized import SizedScreen


class ZoomScreen(SizedScreen):
    """`PANELS` are the ids in their order; `ROOM` is the container of `IN_ROOM`, hidden while another has it all."""

    HELP: ClassVar[str] = "Tab moves between the panels, z gives one the whole screen, Escape brings the others back."

    PANELS: ClassVar[tuple[str, ...]] = ()
    ROOM: ClassVar[str] = ""
    IN_ROOM: ClassVar[tuple[str, ...]] = ()

    @property
    def zoomed(self) -> bool:
        """Whether one panel has the whole room."""
        return self.has_class("-zoomed")

    def on_descendant_focus(self, event: DescendantFocus) -> None:
        """The whole room follows the focus."""
        if self.zoomed and event.widget.id in self.PANELS:
            self._zoom_on(event.widget)

    def action_zoom(self) -> None:
        """One panel in the whole room, or all."""
        if self.zoomed:
            self.step_back()
        elif self.focused is not None and self.focused.id in self.PANELS:
            self.add_class("-zoomed")
            self._zoom_on(self.focused)

    def action_next_panel(self) -> None:
        """The next panel, after the last the first."""
        names = list(self.PANELS)
        here = self.focused.id if self.focused is not None and self.focused.id in names else names[-1]
        panel = self.query_one(f"#{names[(names.index(here) + 1) % len(names)]}")
        if self.zoomed:
            self._zoom_on(panel)
        panel.focus()

    def step_back(self) -> bool:
        """All panels; False when they were there already."""
        if not self.zoomed:
            return False
        self.remove_class("-zoomed")
        for name in self.PANELS:
            _mark(self.query_one(f"#{name}"), False, False)
        self.query_one(f"#{self.ROOM}").remove_class("-hidden")
        return True

    def _zoom_on(self, chosen: Widget) -> None:
        for name in self.PANELS:
            panel = self.query_one(f"#{name}")
            _mark(panel, panel is chosen, panel is not chosen)
        self.query_one(f"#{self.ROOM}").set_class(chosen.id not in self.IN_ROOM, "-hidden")


def _mark(panel: Widget, whole: bool, hidden: bool) -> None:
    panel.set_class(whole, "-whole")
    panel.set_class(hidden, "-hidden")
    if isinstance(panel, TextPanel):
        panel.roomy = whole
