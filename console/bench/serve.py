"""The bench as a process: starts it, says where it is and what to do next, ends it cleanly."""

from __future__ import annotations

import json
import secrets
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from console.bench.consequences import wired
from console.bench.loop import Bench
from console.bench.registry import find
from console.bench.scenes import GOOD, scene, setup_for
from console.bench.signs import NOTHING, unseen
from console.errors import PortTrouble, UsageTrouble


def run(
    *,
    link: str | None = None,
    scene: str | None = None,
    faults: tuple[str, ...] = (),
    chip: str | None = None,
    socket: bool = False,
    ready_json: bool = False,
    paced: bool = True,
    child: bool = False,
) -> int:
    """Run a bench until it is interrupted (or, as a `child`, until its standard input ends); returns the exit code.

    Raises UsageTrouble (scene, fault, chip) or PortTrouble (port-unusable, link-path, bench-folder).
    """
    setup = setup_for(scene, faults, chip)
    if link is not None and find(link) is not None:
        raise PortTrouble(
            "link-path",
            "another simulated board uses this name",
            where=link,
            help="choose another name for --link, or end the other board first",
        )
    if link is None and not wired(setup).adapter.enumerates:
        raise UsageTrouble(
            "bench-start", "this board's port does not come, so its name must be given", help="add --link board.port"
        )
    name = scene or GOOD
    bench = Bench(
        setup,
        scene=", ".join((name, *faults)),
        link=None if link is None else Path(link).absolute(),
        sockets=socket,
        paced=paced,
        token=secrets.token_hex(16),
    )
    try:
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: bench.stop())
        if child:
            threading.Thread(target=_until_parent_ends, args=(bench,), daemon=True).start()
        if ready_json:
            print(json.dumps({"ready": True, "port": bench.port, "control": bench.control}), flush=True)
        else:
            hidden = set(unseen(setup_for(scene, (), chip), faults))
            told = [f"{each} ({NOTHING})" if each in hidden else each for each in faults]
            print("\n".join(_words(bench.port, link, name, told)), flush=True)
        bench.run()
    except BrokenPipeError:  # nobody reads what we say, so nobody needs the board
        return 0
    finally:
        bench.close()
    return 0


def _until_parent_ends(bench: Bench) -> None:
    while sys.stdin.buffer.read(4096):
        pass
    bench.stop()


def _words(port: str, link: str | None, name: str, faults: Sequence[str]) -> list[str]:
    if link is not None and "://" not in port:
        port = link  # as it was typed
    out = [scene(name).title]
    if faults:
        out.append(f"staged besides: {', '.join(faults)}")
    out += [f"simulated board on {port}", "", "in another terminal:", f"  wakeline handshake {port}"]
    out += [f"  wakeline bench --link {port} --do swap-wires     (any action; a wrong one lists them)"]
    return [*out, "", "Ctrl-C ends it."]
