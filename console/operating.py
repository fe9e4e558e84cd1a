"""What the operator says and does: one vocabulary for the screens, the prompts and the file of answers.

Belongs here: how a reply becomes marks of the record, and the loop in which the tool proposes, the operator acts, and
attempts run in between. Where replies come from (a person, a file, the simulated bench) is the business of `Hands`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal, Protocol

from console.causes.catalogue import catalogue
from console.causes.rank import NextCheck
from console.causes.reading import read
from console.errors import Outcome, UsageTrouble
from console.events import Value
from console.session import line_tests
from console.session.session import DEFAULT_LISTEN_S, Session
from console.snapshot import Fold, Snapshot
from console.text import clean

Kind = Literal["done", "found", "skip", "undo", "note", "have", "stop"]
OTHER: Final = "other"  # the outcome that says nothing without words of its own
MOST_STEPS: Final = 100
MOST_REPEATS: Final = 2
_FAILED: Final = (Outcome.NO_ANSWER, Outcome.REFUSED)
LETTERS: Final = "abcdefgh"
_AS_SHOWN: Final = {"V": "1.25 or 1250 mV", "A": "0.25 or 250 mA", "ohm": "47, 4.7 k, 1 M, or open"}
# what was tried and did not help is recorded for these; a swap is known from the attempts themselves
_SETTLED_BY_ATTEMPT: Final = "swap-done"


@dataclass(frozen=True, slots=True)
class Reply:
    """What the operator says to a proposed step.

    `found` carries an outcome of the step and, for a measured value, `value` and `unit`; `note` its text, and so does
    the outcome `OTHER`; `have` what is at hand beyond a usual bench; `done` says that a change was made.
    """

    kind: Kind
    outcome: str = ""
    value: float | None = None
    unit: str = ""
    text: str = ""


def understand(text: str, check: NextCheck) -> Reply:
    """A typed line as a reply. Raises UsageTrouble `reply` or `reading`, whose help says what can be typed."""
    word, _, rest = text.strip().partition(" ")
    match word.casefold(), rest.strip():
        case ("done" | "d", "") if check.change or check.id in line_tests.CHECKS:
            return Reply("done")
        case ("skip" | "undo" | "stop") as plain, "":
            return Reply(plain)
        case ("note" | "have") as bare, "":
            raise UsageTrouble("reply", f"{bare} what?", help=usage(check))
        case "note", words if words:
            return Reply("note", text=clean(words))
        case "have", item if item:
            return have(item)
    for letter, (outcome, _) in zip(LETTERS, check.answers, strict=False):
        if outcome == OTHER and word.casefold() in (letter, OTHER):
            return other(check, rest)
        if text.strip().casefold() in (letter, outcome) and not check.change:
            return Reply("found", outcome)
    if check.scale is not None and text.strip():
        return measured(check, text)
    said = f"{clean(text.strip(), 40)!r} is no reply to this step" if text.strip() else "nothing was typed"
    raise UsageTrouble("reply", said, help=usage(check))


def other(check: NextCheck, words: str) -> Reply:
    """Something else than what was looked for, in the operator's words. Raises UsageTrouble `reply` for none."""
    if not words.strip():
        raise UsageTrouble("reply", f"{OTHER} what, and where?", help=f"{OTHER} solder between U6.1 and U6.2")
    return Reply("found", OTHER, text=clean(words.strip()))


def measured(check: NextCheck, text: str) -> Reply:
    """A reading as a reply. Raises UsageTrouble `reading` for what is no reading, or one that decides nothing."""
    assert check.scale is not None
    got = read(check.scale, text)
    if not got.outcome:
        raise UsageTrouble("reading", f"{got.text} decides nothing", where=check.scale.quantity, help=got.means)
    return Reply("found", got.outcome, got.value, got.unit, got.means)


def have(item: str) -> Reply:
    """What is at hand as a reply. Raises UsageTrouble `reply` for something that no step asks for."""
    wanted = extras()
    if item not in wanted:
        raise UsageTrouble("reply", f"no step needs {clean(item, 40)!r}", help=f"one of: {', '.join(wanted)}")
    return Reply("have", text=item)


def extras() -> Mapping[str, str]:
    """What some step needs beyond a usual bench, with words for it."""
    return catalogue().extras


def usage(check: NextCheck) -> str:
    """What can be said to this step, in one line."""
    if check.change:
        own = ["done"]
    else:
        own = [f"{letter} {name}" for letter, (name, _) in zip(LETTERS, check.answers, strict=False)]
        own[:0] = ["done (the console does it)"] if check.id in line_tests.CHECKS else []
        own[:0] = [f"{check.scale.quantity} in {check.scale.unit}"] if check.scale is not None else []
    return ", ".join([*own, "skip", "undo", "note TEXT", "have ITEM", "stop"])


def can_undo(check: NextCheck, snapshot: Snapshot) -> bool:
    """Whether an earlier answer can be taken back where this step is asked: one of the plan's, or of the diagnosis."""
    asked = None if snapshot.bringup is None else snapshot.bringup.asked
    return asked.undoable if asked is not None and asked.id == check.id else bool(snapshot.undoable)


def question(check: NextCheck, *, undoable: bool, alone: str = "") -> list[str]:
    """A step of a plan as it is put to a person who types: what to do, why, and all that can be said to it.

    `undoable`: an earlier answer can be taken back. `alone`: what an empty line does, "" where it says nothing.
    """
    out = [f"do: {check.title} (about {max(1, round(check.minutes))} min)"]
    out += [f"why: {check.why}"] if check.why else []
    out.append("answer with one of:")
    if check.change:
        out.append("  done: it is so now")
    if check.scale is not None:
        out.append(f"  the value in {check.scale.unit}, as the meter shows it: {_AS_SHOWN[check.scale.unit]}")
    if not check.change:
        out += [f"  {letter} or {name}: {means}" for letter, (name, means) in zip(LETTERS, check.answers, strict=False)]
    undo = ", undo: take the latest answer back" if undoable else ""
    out.append(f"  skip: leave it out{undo}, note TEXT: into the record, stop: leave the plan, ?: this again")
    return out + ([f"  Enter alone: {alone}"] if alone else [])


def tell(session: Session, check: NextCheck | None, reply: Reply) -> None:
    """Write a reply into the record; `done` and `stop` leave no mark of their own here.

    `check` is the step that "found" and "skip" speak of.
    """
    step: dict[str, Value] = {} if check is None else {"check": check.id, "title": check.title}
    match reply.kind:
        case "found":
            value: dict[str, Value] = {} if reply.value is None else {"value": reply.value, "unit": reply.unit}
            session.operator("check", **step, outcome=reply.outcome, **value)
        case "skip":
            session.operator("skip", **step)
        case "undo":
            session.operator("undo")
        case "note":
            session.operator("remark", text=reply.text)
        case "have":
            session.operator("at-hand", item=reply.text)


async def change(session: Session, check: NextCheck, listen_s: float = DEFAULT_LISTEN_S) -> Outcome:
    """The operator made the change `check` asks for: repeat the attempt and let its result count."""
    session.operator(check.action or "repair-done", check=check.id, title=check.title)
    outcome = await session.handshake(listen_s)
    if check.action != _SETTLED_BY_ATTEMPT and check.in_vain:
        worked = next((answer for answer, _ in check.answers if answer != check.in_vain), "")
        if outcome in _FAILED:
            tell(session, check, Reply("found", check.in_vain))
        elif outcome is Outcome.OK and worked:
            tell(session, check, Reply("found", worked))
    return outcome


class LineHands(Protocol):
    """Whoever prepares the line for a test that the console does itself."""

    async def prepare(self, test: str) -> None:
        """Join or part what the test of the line needs (`line_tests.BEFORE`); a person did it before the reply."""
        ...

    async def restore(self, test: str) -> None:
        """Put back what was joined or parted for it."""
        ...

    async def reset(self, words: str) -> bool:
        """Reset the board into its loader; False: they do not want to."""
        ...


class Hands(LineHands, Protocol):
    """Whoever does the steps: a person at a prompt, a file of answers, the simulated bench."""

    async def reply(self, check: NextCheck, snapshot: Snapshot) -> Reply:
        """What to say to this step. Raises WakelineError when there is nothing to say."""
        ...

    async def act(self, check: NextCheck) -> None:
        """Make the change: for real boards a person made it before the reply."""
        ...


async def line_test(session: Session, name: str, hands: LineHands) -> Outcome | None:
    """A test that the console does by itself (`line_tests.TESTS`); the outcome where the board was spoken to.

    `hands` prepare the line, and reset the board where that is wanted. Raises PortTrouble.
    """
    await hands.prepare(name)
    try:
        if name == line_tests.SETTINGS:
            return await line_tests.try_settings(session, hands.reset)
        if name == line_tests.RATES:
            await line_tests.listen_at_rates(session)
        else:
            await line_tests.send_pattern(session, name)
        return None
    finally:
        await hands.restore(name)


async def answer(
    session: Session, check: NextCheck, reply: Reply, listen_s: float = DEFAULT_LISTEN_S
) -> Outcome | None:
    """Record a reply; one that says the board answers now is proved by an attempt, whose outcome is returned."""
    tell(session, check, reply)
    if reply.kind != "found" or not check.in_vain or reply.outcome == check.in_vain:
        return None
    outcome = await session.handshake(listen_s)
    if outcome in _FAILED:
        tell(session, check, Reply("found", check.in_vain))
    return outcome


async def walk(
    session: Session,
    fold: Fold,
    hands: Hands,
    show: Callable[[Snapshot, bool], None],
    *,
    listen_s: float = DEFAULT_LISTEN_S,
) -> Outcome:
    """Attempt, propose, do, record, until the board answers, nothing more pays, or the operator stops.

    `show` gets the picture after every attempt (then its second argument is true) and every answer. Returns how the
    last attempt ended. Raises what `hands` raises.
    """
    outcome, asked, repeats = await session.handshake(listen_s), "", 0
    show(fold.snapshot(), True)
    for _ in range(MOST_STEPS):
        snapshot = fold.snapshot()
        check = snapshot.next_check
        if outcome not in _FAILED:
            break
        if check is None:  # nothing pays as things look now; an attempt may show another side of it
            if repeats == MOST_REPEATS:
                break
            repeats += 1
            outcome = await session.handshake(listen_s)
            show(fold.snapshot(), True)
            continue
        repeats = 0
        if check.id != asked:  # a note or a wrong word in between is no new proposal
            asked = check.id
            session.operator("asked", check=check.id, title=check.title, minutes=check.minutes)
        async with line_tests.stimulated(session, check.stimulus, hands.reset):
            reply = await hands.reply(check, snapshot)
        if reply.kind == "stop":
            break
        if reply.kind == "undo" and not snapshot.undoable:
            continue  # the record holds no answer to take back
        attempted = False
        if reply.kind == "done" and check.id in line_tests.CHECKS:
            spoken = await line_test(session, line_tests.CHECKS[check.id], hands)
            outcome, attempted = spoken or outcome, spoken is not None
        elif reply.kind == "done":
            await hands.act(check)
            outcome, attempted = await change(session, check, listen_s), True
        else:
            proved = await answer(session, check, reply, listen_s)
            outcome, attempted = proved or outcome, proved is not None
        if reply.kind != "note":
            show(fold.snapshot(), attempted)
    return outcome
