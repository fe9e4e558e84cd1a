"""Every action of the screens, declared once: bindings, the key line, the palette and the help read this list."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from textual.binding import Binding, BindingType
from textual.content import Content


class Scope(Enum):
    """Where an action can be used; the value is what the help calls the place."""

    EVERYWHERE = "everywhere"
    PORTS = "list of ports"
    PLUG = "plug watch"
    PLAN = "bring-up"
    BENCH = "bench"
    LIVE = "bench, live port"
    TASK = "task on the chip"
    REPLAY = "bench, capture"
    TRACE = "trace"
    STORY = "guided story"
    NOTEBOOK = "notebook"


@dataclass(frozen=True, slots=True)
class Action:
    """One thing a person can do. `keys`: the first is shown. `words` is short, `help` one full sentence."""

    id: str
    keys: tuple[str, ...]
    words: str
    scope: Scope
    help: str

    @property
    def key(self) -> str:
        """The key as it is written for a person."""
        return _KEY_WORDS.get(self.keys[0], self.keys[0])

    @property
    def method(self) -> str:
        """The name after ``action_`` on the screen or widget that carries it out."""
        return self.id.replace("-", "_")


_KEY_WORDS: Final = {
    "escape": "Esc",
    "enter": "Enter",
    "space": "Space",
    "full_stop": ".",
    "plus": "+",
    "minus": "-",
    "tab": "Tab",
    **{f"f{n}": f"F{n}" for n in range(1, 11)},
}

ACTIONS: Final = (
    Action("story", ("enter",), "go on", Scope.STORY, "take the next step of the guided story"),
    Action("open", ("enter",), "open", Scope.PORTS, "open the highlighted port or simulated board"),
    Action("look-again", ("f5", "u"), "look again", Scope.PORTS, "list the ports afresh now"),
    Action("plug-watch", ("p",), "plug watch", Scope.PORTS, "your board does not show up: watch while you plug it in"),
    Action("open-found", ("enter",), "open", Scope.PLUG, "open the port that came and stays"),
    Action("watch-afresh", ("u", "f5"), "afresh", Scope.PLUG, "forget what was seen and watch anew"),
    Action("expect", ("e",), "expect", Scope.PLUG, "the device that came last is the one to expect; again: any is"),
    Action("answer", ("enter",), "done", Scope.PLAN, "you did the step asked for: say so, or say what it showed"),
    Action("skip-step", ("k",), "skip", Scope.PLAN, "leave the step out"),
    Action("undo-step", ("u",), "undo", Scope.PLAN, "take the latest answer back; its stage is done again"),
    Action("note-step", ("m",), "note", Scope.PLAN, "write a note into the record"),
    Action("next-suspect", ("s",), "next", Scope.PLAN, "show the next suspect in full, with its net"),
    Action("zoom-plan", ("z", "f4"), "zoom", Scope.PLAN, "give the focused panel the whole screen, to read all of it"),
    Action("stop-plan", ("x",), "stop", Scope.PLAN, "stop what runs, at a block's border while something is written"),
    Action("next-board", ("n",), "next board", Scope.PLAN, "once the plan is over: bring up the board after this one"),
    Action("handshake", ("h", "f5"), "handshake", Scope.LIVE, "listen, sync and identify; opens a lost port again"),
    Action("check-done", ("d",), "done", Scope.LIVE, "the check asked for: the console does it, or you did and say so"),
    Action("skip-check", ("k",), "skip check", Scope.LIVE, "leave the proposed check out and propose another one"),
    Action("undo", ("u",), "undo", Scope.LIVE, "take the latest answer, skip or thing at hand back"),
    Action("note", ("m",), "note", Scope.LIVE, "write a note into the record"),
    Action("at-hand", ("a",), "at hand", Scope.LIVE, "say that you have a good board, a spare adapter or the like"),
    Action("swap-done", ("w",), "swap done", Scope.LIVE, "you swapped TX and RX; the attempt is repeated"),
    Action("listen", ("l",), "listen", Scope.LIVE, "only listen for five seconds; nothing is sent"),
    Action("line-tests", ("e",), "test line", Scope.LIVE, "tests the console does: loop-back, echo, rates, settings"),
    Action("program", ("p",), "program", Scope.LIVE, "program, update, compare, read, erase or restore the chip"),
    Action("reset", ("b",), "reset board", Scope.LIVE, "reset over the adapter's lines, or by hand without them"),
    Action("stop", ("x",), "stop", Scope.LIVE, "stop the running attempt; the port stays open"),
    Action("record", ("r",), "record", Scope.LIVE, "start or end a capture file of everything from now on"),
    Action("task-stop", ("x",), "stop", Scope.TASK, "stop where no block is left half done; again: at once"),
    Action("task-start", ("s",), "start program", Scope.TASK, "start what was written and hear its first words"),
    Action("task-resume", ("r",), "go on", Scope.TASK, "after a cut: prove by reading what is right, do the rest"),
    Action("pause", ("space",), "pause", Scope.REPLAY, "hold the capture, or let it go on"),
    Action("step", ("full_stop",), "step", Scope.REPLAY, "hold the capture and let one event pass"),
    Action("faster", ("plus",), "faster", Scope.REPLAY, "double the speed of the capture; above 64 all at once"),
    Action("slower", ("minus",), "slower", Scope.REPLAY, "halve the speed of the capture, down to one eighth"),
    Action("zoom", ("z", "f4"), "zoom", Scope.BENCH, "give the focused panel the whole screen, or bring all four back"),
    Action("next-panel", ("n",), "next panel", Scope.BENCH, "move to the next panel (Tab does the same)"),
    Action("filter", ("f",), "filter", Scope.TRACE, "all, sent, received, marks, out of place"),
    Action("next-stage", ("g",), "next stage", Scope.TRACE, "jump to where the next stage begins"),
    Action("mark", ("v",), "mark", Scope.TRACE, "begin a range at this row; again to drop it"),
    Action("copy", ("c",), "copy", Scope.TRACE, "copy row or marked range to the clipboard and into a file"),
    Action("save", ("s",), "save", Scope.TRACE, "write all rows of the present filter into a file"),
    Action("transcript", ("t", "f9"), "transcript", Scope.BENCH, "write the readable record of the session to a file"),
    Action("name-board", ("i",), "name board", Scope.LIVE, "say which board this is, for the notebook"),
    Action("search", ("f",), "search", Scope.NOTEBOOK, "type words; only sessions that hold all of them stay"),
    Action(
        "other-pane", ("n",), "other pane", Scope.NOTEBOOK, "move between the list and the open page (Tab does too)"
    ),
    Action("fix", ("a",), "note a fix", Scope.NOTEBOOK, "note what fixed the highlighted session's board"),
    Action("notebook", ("f8", "j"), "notebook", Scope.EVERYWHERE, "what the bench remembers of boards and fixes"),
    Action("replay", ("o", "f3"), "open capture", Scope.EVERYWHERE, "replay a recorded capture on the bench screen"),
    Action("palette", ("f2", "colon"), "actions", Scope.EVERYWHERE, "find any action by its words"),
    Action("help", ("f1", "question_mark"), "help", Scope.EVERYWHERE, "explain the focused panel and its keys"),
    Action("back", ("escape",), "back", Scope.EVERYWHERE, "one step back; never leaves the program"),
    Action("quit", ("q", "f10"), "quit", Scope.EVERYWHERE, "leave; asks only while something runs"),
)
BY_ID: Final = {action.id: action for action in ACTIONS}


def of_scopes(*scopes: Scope) -> tuple[Action, ...]:
    """The actions of these scopes, in the list's order."""
    return tuple(action for action in ACTIONS if action.scope in scopes)


def bindings(*scopes: Scope) -> list[BindingType]:
    """Key bindings for a screen or widget that carries out these scopes' actions."""
    return [Binding(",".join(action.keys), action.method, action.words, show=False) for action in of_scopes(*scopes)]


def key_line(actions: tuple[Action, ...], width: int) -> Content:
    """As many actions as fit into `width` columns, whole ones only, the first ones first; keys stand out."""
    out = Content("")
    for action in actions:
        gap = "  " if out.plain else ""
        if len(out.plain) + len(gap) + len(action.key) + 1 + len(action.words) > width:
            break
        out = out + Content(gap) + Content.styled(action.key, "bold") + Content.styled(f" {action.words}", "$secondary")
    return out


def as_table() -> str:
    """The actions as a Markdown table, for the README."""
    rows = [f"| {a.key} | {a.words} | {a.scope.value} | {a.help} |" for a in ACTIONS]
    return "\n".join(["| key | action | where | what it does |", "|---|---|---|---|", *rows])
