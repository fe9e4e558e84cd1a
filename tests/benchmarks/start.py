"""How long `wakeline ports` takes against importing its own libraries, and the screens against an empty Textual app.

Run: python tests/benchmarks/start.py   (JSON on standard output; ratios of medians taken alternately in one run)
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time

ROUNDS = 15
BARE_PORTS = "import argparse, json, serial.tools.list_ports as l; l.comports()"
OWN_PORTS = "from console.cli import run; run(['ports'])"
_RUN = """
async def leave(pilot):
    await pilot.exit(0)
{name}().run(headless=True, auto_pilot=leave)
"""
EMPTY_APP = "from textual.app import App" + _RUN.format(name="App")
OWN_APP = "from console.screens.app import WakelineApp" + _RUN.format(name="WakelineApp")


def seconds(program: str) -> float:
    """Wall time of one fresh interpreter."""
    # compiled modules are kept, as on any ordinary machine
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, env=env)
    return time.perf_counter() - begun


def main() -> None:
    """Measure and print."""
    programs = {"bare_ports": BARE_PORTS, "ports": OWN_PORTS, "empty_app": EMPTY_APP, "app": OWN_APP}
    times: dict[str, list[float]] = {name: [] for name in programs}
    for program in programs.values():
        seconds(program)  # the first run compiles
    for _ in range(ROUNDS):
        for name, program in programs.items():
            times[name].append(seconds(program))
    medians = {name: statistics.median(values) for name, values in times.items()}
    result = {
        "ports_over_bare_imports": round(medians["ports"] / medians["bare_ports"], 3),
        "screens_over_empty_app": round(medians["app"] / medians["empty_app"], 3),
        "medians_s": {name: round(value, 4) for name, value in medians.items()},
        "rounds": ROUNDS,
    }
    print(json.dumps(result, indent=2))


if __name__ == "__main__":
    main()
