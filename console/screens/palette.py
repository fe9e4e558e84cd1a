"""Every action, found by its words."""

from __future__ import annotations

from functools import partial
from typing import Any

from textual.command import DiscoveryHit, Hit, Hits, Provider

from console.screens.actions import ACTIONS, Action
from console.screens.text import piece


class ActionProvider(Provider):
    """Offers the actions that can be carried out where the person is."""

    async def discover(self) -> Hits:
        """All of them, before anything is typed."""
        for action, run in self._here():
            yield DiscoveryHit(piece(f"{action.words}  ({action.key})"), run, text=action.words, help=action.help)

    async def search(self, query: str) -> Hits:
        """Those whose words or help match."""
        matcher = self.matcher(query)
        for action, run in self._here():
            score = matcher.match(f"{action.words} {action.help}")
            if score > 0:
                yield Hit(score, piece(f"{action.words}  ({action.key})"), run, text=action.words, help=action.help)

    def _here(self) -> list[tuple[Action, partial[Any]]]:
        places = [one for one in (self.focused, self.screen, self.app) if one is not None]
        out = []
        for action in ACTIONS:
            place = next((one for one in places if hasattr(one, f"action_{action.method}")), None)
            offers = getattr(self.screen, "offers", None)
            if place is not None and action.id != "palette" and (offers is None or offers(action)):
                out.append((action, partial(place.run_action, action.method)))
        return out
