"""`wakeline ports --watch`: each thing that plugging changes, and what it means for a board that does not show up."""

from __future__ import annotations

import asyncio
import contextlib
import json
from argparse import Namespace
from collections.abc import Callable, Sequence
from typing import Any, Final

from console.causes.plug import PlugEvent, PlugFold, PlugVerdict
from console.commands.ports import describe
from console.errors import Outcome
from console.link.plug_watch import PlugWatch, looks
from console.link.ports import PortInfo, watch_ports
from console.words import percent

_FEW: Final = 3


def watch(options: Namespace, ports: Sequence[PortInfo], out: dict[str, Any]) -> int:
    """Watch until Ctrl-C or `options.seconds`; `out` is the JSON object so far. Returns the exit code."""
    fold = PlugFold(options.expect)
    say: Callable[[str], None] = (lambda _: None) if options.json else (lambda text: print(text, flush=True))
    events: list[PlugEvent] = []
    with PlugWatch() as plug:
        say("watching; plug the board in, or out and in again (Ctrl-C ends)")
        for note in plug.notes:
            say(f"  note: {note}")
        with contextlib.suppress(KeyboardInterrupt):  # that is how a watch ends
            asyncio.run(_watch(options, plug, fold, ports, say, events))
    verdict = fold.verdict()
    outcome = Outcome.PORT if verdict.trouble else Outcome.OK
    if options.json:
        out.update(as_object(verdict, events, plug.notes), outcome=outcome.value)
        print(json.dumps(out, indent=2))
    else:
        say("\n".join(["", *verdict_lines(verdict)]))
    return outcome.exit_code


async def _watch(
    options: Namespace,
    plug: PlugWatch,
    fold: PlugFold,
    ports: Sequence[PortInfo],
    say: Callable[[str], None],
    events: list[PlugEvent],
) -> None:
    async def plugs() -> None:
        title, told = "", 0
        async for look in looks(plug):
            fold.add(look)
            fresh = list(fold.events)[len(fold.events) - min(len(fold.events), fold.told - told) :]
            told = fold.told
            events.extend(fresh)
            for event in fresh:
                say(event_line(event))
            verdict = fold.verdict()
            if verdict.title != title:
                title = verdict.title
                say(f"  => {title}")

    async def others() -> None:
        """What the USB tree does not tell: ports of another kind, and who holds a port."""
        async for change in watch_ports(known=ports):
            if change.port.vid is not None and change.kind != "changed":
                continue
            if options.all or not change.port.phantom:
                say(f"{change.kind}: " + "\n".join(describe(change.port, options.baud)))

    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(options.seconds):
            await asyncio.gather(plugs(), others())


def event_line(event: PlugEvent) -> str:
    """An event as one line of text."""
    return f"{event.t_s:8.1f} s  {event.place:<8} {event.text}"


def verdict_lines(verdict: PlugVerdict) -> list[str]:
    """A verdict as lines of text, with suspects and steps."""
    out = [f"verdict {verdict.kind}: {verdict.title}"]
    out += [f"  {verdict.detail}"] if verdict.detail else []
    out += [f"  caution: {verdict.caution}"] if verdict.caution else []
    for cause in verdict.causes[:_FEW]:
        out.append(f"{percent(cause.probability):>6}  {cause.title} [{cause.id}]")
        out += [f"          because {why}" for why in cause.why]
    steps = verdict.steps[:_FEW]
    if not steps and verdict.help:
        out.append(f"  next: {verdict.help}")
    for number, step in enumerate(steps, 1):
        out.append(f"  {'next' if number == 1 else 'then'}: {step.title} (about {step.minutes:g} min)")
        out += [f"        caution: {step.caution}"] if step.caution and step.caution != verdict.caution else []
        out.append(f"        {step.why}")
    return out


def as_object(verdict: PlugVerdict, events: Sequence[PlugEvent], notes: Sequence[str]) -> dict[str, Any]:
    """What the watch adds to the JSON object of `wakeline ports`; the names are those of the contract object."""
    steps = [
        {"id": step.id, "title": step.title, "minutes": step.minutes, "caution": step.caution, "why": step.why}
        for step in verdict.steps
    ]
    error = {"code": f"plug-{verdict.kind}", "message": verdict.title, "help": verdict.help}
    return {
        "verdict": {"kind": verdict.kind, "title": verdict.title, "detail": verdict.detail, "place": verdict.place},
        "port": verdict.port,
        "device": None if verdict.device is None else {**verdict.device._asdict(), "ttys": _ttys(verdict)},
        "events": [event._asdict() for event in events],
        "causes": [
            {"id": c.id, "title": c.title, "probability": round(c.probability, 4), "why": list(c.why)}
            for c in verdict.causes
        ],
        "next_check": steps[0] if steps else None,
        "steps": steps,
        "notes": list(notes),
        "error": error if verdict.trouble else None,
    }


def _ttys(verdict: PlugVerdict) -> list[dict[str, Any]]:
    return [] if verdict.device is None else [tty._asdict() for tty in verdict.device.ttys]
