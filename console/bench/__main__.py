"""`python -m console.bench`: the process `SimulatedBench` starts."""

from __future__ import annotations

import argparse
import sys

from console.bench import serve
from console.errors import WakelineError


def main(words: list[str]) -> int:
    """Run a bench with these options; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m console.bench", description="a simulated board on a real port")
    parser.add_argument("--link", default=None)
    parser.add_argument("--scene", default=None)
    parser.add_argument("--fault", action="append", default=None)
    parser.add_argument("--chip", default=None)
    parser.add_argument("--socket", action="store_true")
    parser.add_argument("--unpaced", action="store_true", help="answer at once instead of in line time")
    parser.add_argument("--ready-json", action="store_true")
    parser.add_argument("--child", action="store_true", help="end when standard input ends")
    options = parser.parse_args(words)
    try:
        return serve.run(
            link=options.link,
            scene=options.scene,
            faults=tuple(options.fault or ()),
            chip=options.chip,
            socket=options.socket,
            ready_json=options.ready_json,
            paced=not options.unpaced,
            child=options.child,
        )
    except WakelineError as error:
        print("\n".join(error.lines()), file=sys.stderr)
        return error.outcome.exit_code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
