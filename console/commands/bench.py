"""`wakeline bench`: a simulated board on a real port, for wakeline in another terminal or for any other program."""

from __future__ import annotations

import asyncio
import json
from argparse import Namespace
from collections.abc import Mapping
from typing import Any

from console.bench import control, oracle, serve
from console.bench.chips import PRODUCTS
from console.bench.scenes import faults, scenes
from console.bench.spoils import listed
from console.errors import UsageTrouble
from console.text import clean


def run(options: Namespace) -> int:
    """Run the command; returns the exit code."""
    if options.list:
        return _list(options.json)
    if options.do is not None:
        return asyncio.run(_act(options))
    if options.socket and options.link:
        raise UsageTrouble("usage", "a socket has no name in the file system", help="leave out --link or --socket")
    return serve.run(
        link=options.link,
        scene=options.scene,
        faults=tuple(options.fault or ()),
        chip=options.chip,
        socket=options.socket,
        ready_json=options.json,
    )


def _list(as_json: bool) -> int:
    if as_json:
        found = {"scenes": {s.name: s.title for s in scenes()}, "faults": {f.id: f.title for f in faults()}}
        chips = {name: product.title for name, product in PRODUCTS.items()}
        print(json.dumps({**found, "flaws": listed(), "chips": chips}))
        return 0
    print("scenes:")
    print("\n".join(f"  {scene.name:<24} {scene.title}" for scene in scenes()))
    print("faults:")
    print("\n".join(f"  {fault.id:<24} {fault.title}" for fault in faults()))
    print("chips:")
    print("\n".join(f"  {name:<24} {product.title}" for name, product in PRODUCTS.items()))
    print("flaws, with what they take where nothing is given (as --fault name:key=value,key=value):")
    print("\n".join(f"  {name}\n      {title}" for name, title in listed().items()))
    return 0


async def _act(options: Namespace) -> int:
    benches = control.running()
    entry = control.find(options.link) if options.link else benches[0] if len(benches) == 1 else None
    if entry is None and not options.link and benches:
        names = ", ".join(bench.port for bench in benches)
        raise UsageTrouble("which-bench", f"several simulated boards run: {names}", help="name one with --link")
    if entry is None:
        raise UsageTrouble(
            "no-bench", "no simulated board runs there", help="start one: wakeline bench --link board.port"
        )
    action, equals, value = options.do.partition("=")
    field = control.ACTIONS.get(action)
    if field is None and equals and action in control.ACTIONS:
        raise UsageTrouble(
            "usage",
            f"{action} takes no value, and {clean(value, 40)!r} is given",
            help=f"leave out what follows {action}",
        )
    if field is not None and not value:
        raise UsageTrouble(
            "usage", f"{action} needs a value", help=f"give it as {action}={field.upper()}; --list names what there is"
        )
    answer = await control.act(entry, action, **({} if field is None else {field: _value(field, value)}))
    if options.json:
        print(json.dumps(answer))
    else:
        print("\n".join(_words(action, value, answer, entry.link or entry.port)))
    return 0


def _words(action: str, value: str, answer: Mapping[str, Any], where: str) -> list[str]:
    if action == "status":
        return [f"{name}: {state}" for name, state in answer.items()]
    if action == "check":
        return [f"{value}: {answer['outcome']}", *(f"  {oracle.Reading(**found)}" for found in answer["readings"])]
    if "changed" in answer:
        return [f"{action} {value}: {'done' if answer['changed'] else 'done, and it changed nothing'} on {where}"]
    return [f"{action}: done on {where}"]


def _value(field: str, text: str) -> str | float:
    try:
        return float(text) if field == "baud" else text
    except ValueError:
        return text
