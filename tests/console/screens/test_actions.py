"""Every action is declared once, with key, words and help, and somebody carries it out."""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from itertools import pairwise

import pytest
from textual.dom import DOMNode
from textual.keys import Keys
from textual.screen import Screen
from textual.widget import Widget

import console.screens
from console.screens.actions import ACTIONS, BY_ID, Action, Scope, as_table, key_line
from console.screens.app import WakelineApp
from console.screens.bench_screen import BenchScreen
from console.screens.bringup_screen import BringupScreen
from console.screens.notebook_screen import NotebookScreen
from console.screens.plug_screen import PlugScreen
from console.screens.ports_screen import PortsScreen
from console.screens.task_screen import TaskScreen
from console.screens.trace_panel import TracePanel

PLACES: dict[Scope, type[DOMNode]] = {
    Scope.EVERYWHERE: WakelineApp,
    Scope.PORTS: PortsScreen,
    Scope.PLUG: PlugScreen,
    Scope.PLAN: BringupScreen,
    Scope.BENCH: BenchScreen,
    Scope.LIVE: BenchScreen,
    Scope.REPLAY: BenchScreen,
    Scope.STORY: BenchScreen,
    Scope.TRACE: TracePanel,
    Scope.NOTEBOOK: NotebookScreen,
    Scope.TASK: TaskScreen,
}
# which scopes' keys are live at the same time
TOGETHER = [
    (Scope.EVERYWHERE, Scope.PORTS),
    (Scope.EVERYWHERE, Scope.NOTEBOOK),
    (Scope.EVERYWHERE, Scope.PLUG),
    (Scope.EVERYWHERE, Scope.PLAN),
    (Scope.EVERYWHERE, Scope.TASK),
    (Scope.EVERYWHERE, Scope.BENCH, Scope.LIVE, Scope.REPLAY, Scope.STORY, Scope.TRACE),
]


@pytest.mark.parametrize("action", ACTIONS, ids=lambda action: action.id)
def test_an_action_has_key_words_help_and_somebody_who_does_it(action: Action) -> None:
    assert action.keys
    assert action.words
    assert len(action.help) > len(action.words)
    place = PLACES[action.scope]
    assert inspect.isfunction(getattr(place, f"action_{action.method}"))
    bound = {key for one in place.BINDINGS for key in one.key.split(",")}  # type: ignore[union-attr]
    assert set(action.keys) <= bound


def test_no_key_means_two_things_at_one_place() -> None:
    for scopes in TOGETHER:
        keys = [key for action in ACTIONS if action.scope in scopes for key in action.keys]
        assert sorted(keys) == sorted(set(keys))


def test_keys_are_ones_that_every_terminal_sends() -> None:
    # measured with Textual 8.2.8: ctrl+m, i and h are Enter, Tab and Backspace; a text area owns F6 and F7
    named = {"enter", "escape", "tab", "space", "full_stop", "plus", "minus", "colon", "question_mark"}
    named |= {f"f{n}" for n in (1, 2, 3, 4, 5, 8, 9, 10)}
    known = {key.value for key in Keys}
    for action in ACTIONS:
        for key in action.keys:
            assert len(key) == 1 or key in named, f"{action.id}: {key}"
            assert "ctrl" not in key
            assert len(key) == 1 or key in known or key in {"full_stop", "plus", "minus", "colon", "question_mark"}


def test_escape_is_never_quit() -> None:
    assert "escape" not in BY_ID["quit"].keys
    assert BY_ID["back"].keys == ("escape",)


def test_the_key_line_holds_whole_actions_and_never_more_than_fits() -> None:
    lines = [key_line(ACTIONS, width).plain for width in range(200)]
    assert all(len(text) <= width for width, text in enumerate(lines))
    assert all(len(one) <= len(other) for one, other in pairwise(lines))
    assert lines[0] == ""
    assert lines[-1].startswith("Enter go on")


def test_the_table_for_the_readme_names_every_action() -> None:
    table = as_table()
    assert all(f"| {action.key} | {action.words} |" in table for action in ACTIONS)


def _own_widgets() -> list[type[Widget]]:
    found: list[type[Widget]] = []
    for module in pkgutil.iter_modules(console.screens.__path__):
        for _, thing in inspect.getmembers(importlib.import_module(f"console.screens.{module.name}"), inspect.isclass):
            if issubclass(thing, Widget) and thing.__module__.startswith("console.screens"):
                found.append(thing)
    return sorted(set(found), key=lambda thing: thing.__name__)


@pytest.mark.parametrize("widget", _own_widgets(), ids=lambda widget: widget.__name__)
def test_every_widget_and_screen_explains_itself(widget: type[Widget]) -> None:
    words = widget.__dict__.get("HELP")
    assert isinstance(words, str)
    assert len(words) > 20
    if issubclass(widget, Screen):
        assert widget.BINDINGS
