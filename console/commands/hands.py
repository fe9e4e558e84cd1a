"""Where replies come from without screens: a person at a prompt, a file of answers, or the simulated bench.

A file of answers is TOML of our own. Each entry says one thing; entries with a step wait until that step is proposed,
the others take effect when all entries before them are used:

    [[answer]]
    step = "K08"             # the check or repair, as the tool names it
    reading = "3.29 V"       # or outcome = "in-range", or done = true, or skip = true; at a suspect of a board also
                             # other = "solder between U6.1 and U6.2": something else was wrong there and is mended
    [[answer]]
    note = "the lid was wet" # or undo = true, have = "golden-board", stop = true
"""

from __future__ import annotations

import sys
from collections.abc import Awaitable, Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from console.causes.rank import NextCheck
from console.errors import InputTrouble, UsageTrouble, WakelineError
from console.link import threads
from console.operating import OTHER, Hands, Reply, can_undo, have, measured, other, question, understand, usage
from console.session import line_tests
from console.snapshot import Snapshot
from console.text import clean
from console.tomlfile import Table, parse_toml
from console.words import measure

Say = Callable[[str], None]
# what the simulated bench joins or parts for a test of the line, and how it is put back
BENCH_HANDS: Final = {
    line_tests.LOOP_BACK: ("join-adapter", "part-adapter"),
    line_tests.FAR_END: ("join-adapter", "part-adapter"),
    line_tests.ECHO_ALONE: ("board-off", "board-on"),
}
_OWN: Final = ("reading", "outcome", "other", "done", "skip")
_AGAIN: Final = ("?", "help")
_BENCH_DOES: Final = "the simulated bench's hands do it and say what they found"
_FREE: Final = ("note", "undo", "have", "stop")


class PromptHands:
    """A person who reads the proposal and types. With `bench`, an empty line leaves the step to its hands."""

    def __init__(self, say: Say, bench: Hands | None = None) -> None:
        self._say = say
        self._bench = bench

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """Ask until the reply is understood; the end of the input stops. Raises what the bench's hands raise."""
        asked = None if snapshot.bringup is None else snapshot.bringup.asked
        of_plan = asked is not None and asked.id == check.id
        undoable = can_undo(check, snapshot)
        self._put(check, of_plan, undoable)
        while True:
            print("> ", end="", file=sys.stderr, flush=True)
            # in a daemon thread: Ctrl-C must not wait for the Enter of a person who has left
            line = await threads.start(sys.stdin.readline, "ask what it showed")
            if not line:
                return Reply("stop")
            if line.strip().casefold() in _AGAIN:
                self._put(check, of_plan, undoable)
            elif self._bench is not None and not line.strip():
                return await self._bench.reply(check, snapshot)
            else:
                try:
                    reply = understand(line, check)
                    if reply.kind == "undo" and not undoable:
                        raise UsageTrouble("reply", "there is no answer to take back", help=usage(check))
                    return reply
                except UsageTrouble as trouble:
                    self._say("\n".join(trouble.lines()))

    def _put(self, check: NextCheck, of_plan: bool, undoable: bool) -> None:
        """The question, without its caution: whoever tells the story has said it just before."""
        if of_plan:
            alone = "" if self._bench is None else _BENCH_DOES
            self._say("\n".join(f"  {line}" for line in question(check, undoable=undoable, alone=alone)))
        else:
            alone = "" if self._bench is None else f", Enter alone: {_BENCH_DOES}"
            self._say(f"\n{check.id} {check.title}: {usage(check)}{alone}")
            if check.id in line_tests.CHECKS:
                self._say(f"  before done: {line_tests.BEFORE[line_tests.CHECKS[check.id]]}")

    async def act(self, check: NextCheck) -> None:
        """The person has done it."""

    async def prepare(self, test: str) -> None:
        """The person has done it."""

    async def restore(self, test: str) -> None:
        """Ask for it."""
        if test not in line_tests.NO_HANDS:
            self._say("put the wires back as they were before the next step")

    async def reset(self, words: str) -> bool:
        """Ask; the end of the input and an s decline."""
        print(f"{words}. Enter: it is reset, s: stop > ", end="", file=sys.stderr, flush=True)
        line = await threads.start(sys.stdin.readline, "ask for a reset")
        return bool(line) and line.strip().casefold() != "s"


class BenchHands:
    """The hands of the simulated bench: they read its meters and mend what is staged, and know no diagnosis."""

    def __init__(self, act: Callable[..., Awaitable[Mapping[str, Any]]], say: Say) -> None:
        self._act = act
        self._say = say

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """What the bench shows. Raises UsageTrouble, PortTrouble."""
        self._say(f"\nWe do what it says: {check.title}.")
        if check.caution:
            self._say(f"  caution: {check.caution}")
        if check.change or check.id in line_tests.CHECKS:
            return Reply("done")
        found = await self._act("check", check=check.id)
        for reading in found["readings"]:
            value = reading["value"]
            shown = "overload" if value is None else f"{value:.3g} {reading['unit']}"
            self._say(f"  {clean(str(reading['place']))}: {shown}")
        self._say(f"  It shows: {clean(str(found['outcome']))}.")
        return Reply("found", str(found["outcome"]), **_one_value(check, found["readings"]))

    async def act(self, check: NextCheck) -> None:
        """Make the change on the bench."""
        await self._act("repair", step=check.id)
        if check.repair:  # what was sent before may have spoiled the loader's measuring of the rate
            await self._act("reset")

    async def prepare(self, test: str) -> None:
        """Join or part on the bench."""
        if test in BENCH_HANDS:
            await self._act(BENCH_HANDS[test][0])

    async def restore(self, test: str) -> None:
        """As it was."""
        if test in BENCH_HANDS:
            await self._act(BENCH_HANDS[test][1])

    async def reset(self, words: str) -> bool:
        """Press the board's reset."""
        await self._act("reset")
        return True


def _one_value(check: NextCheck, readings: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """A single reading in the check's own unit goes into the record."""
    if check.scale is None or len(readings) != 1 or readings[0]["unit"] != check.scale.unit:
        return {}
    if readings[0]["value"] is None:
        return {}
    return {"value": readings[0]["value"], "unit": readings[0]["unit"]}


class FileHands:
    """Replies from a file. Raises InputTrouble, with line and key, for what cannot be a reply."""

    def __init__(self, path: Path, say: Say) -> None:
        self._say = say
        self._path = path
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise InputTrouble(
                "answers",
                f"cannot read the answers: {clean(str(error))}",
                where=clean(str(path)),
                help="check the name",
            ) from error
        self._left = parse_toml(text, clean(path.name), "answers").tables("answer")
        for entry in self._left:
            _check(entry)

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """The first entry if it belongs to no step, else the first one for this step."""
        if self._left and "step" not in self._left[0].data:
            return _free(self._left.pop(0))
        for number, entry in enumerate(self._left):
            if "step" not in entry.data:
                break  # it waits for what stands before it
            if entry.data["step"] == check.id:
                reply = _own(self._left.pop(number), check)
                self._say(f"\n{check.id} {check.title}: answered by {clean(self._path.name)}: {_words(reply)}")
                return reply
        raise InputTrouble(
            "answers",
            f"no answer for {check.id}, {check.title}",
            where=clean(str(self._path)),
            help=f'add [[answer]] with step = "{check.id}" and one of {", ".join(_OWN)}',
        )

    async def act(self, check: NextCheck) -> None:
        """Whoever wrote the file has done it."""

    async def prepare(self, test: str) -> None:
        """Whoever wrote the file has done it."""

    async def restore(self, test: str) -> None:
        """Nobody can be asked: what comes next says what it needs."""

    async def reset(self, words: str) -> bool:
        """Nobody can be asked."""
        self._say(f"{words} (a file of answers has no hands; wire a reset line and name it with --reset-line)")
        return False


def _check(entry: Table) -> None:
    allowed = _OWN if "step" in entry.data else _FREE
    named = [key for key in entry.data if key != "step"]
    if len(named) != 1 or named[0] not in allowed:
        entry.wrong(
            named[0] if named else "step",
            ", ".join(sorted(entry.data)) or "nothing",
            f"step with one of {', '.join(_OWN)}, or one of {', '.join(_FREE)} alone",
        )
    key = named[0]
    if key in ("reading", "outcome", "other", "note", "have"):
        entry.text(key)
    elif not entry.flag(key):
        entry.wrong(key, False, "true, or leave the entry out")


def _own(entry: Table, check: NextCheck) -> Reply:
    if entry.data.get("skip"):
        return Reply("skip")
    if entry.data.get("done"):
        if not check.change and check.id not in line_tests.CHECKS:
            entry.wrong("done", True, f"outcome or reading: {check.id} changes nothing")
        return Reply("done")
    if "other" in entry.data:
        if OTHER not in dict(check.answers):
            entry.wrong("other", entry.data["other"], f"an outcome: nothing else is asked for at {check.id}")
        return other(check, entry.text("other"))
    if "reading" in entry.data:
        if check.scale is None:
            entry.wrong("reading", entry.data["reading"], f"an outcome: {check.id} has no single value")
        try:
            return measured(check, entry.text("reading"))
        except WakelineError as trouble:
            entry.wrong("reading", entry.data["reading"], trouble.help)
    outcomes = [outcome for outcome, _ in check.answers if outcome != OTHER]
    if check.change or entry.text("outcome") not in outcomes:
        entry.wrong(
            "outcome", entry.data["outcome"], "done = true" if check.change else f"one of {', '.join(outcomes)}"
        )
    return Reply("found", entry.text("outcome"))


def _free(entry: Table) -> Reply:
    if "note" in entry.data:
        return Reply("note", text=clean(entry.text("note")))
    if "have" in entry.data:
        try:
            return have(entry.text("have"))
        except WakelineError as trouble:
            entry.wrong("have", entry.data["have"], trouble.help)
    return Reply("undo" if "undo" in entry.data else "stop")


def _words(reply: Reply) -> str:
    value = "" if reply.value is None else measure(reply.value, reply.unit)
    return ", ".join(filter(None, (value, reply.outcome or reply.kind, reply.text if reply.outcome == OTHER else "")))
