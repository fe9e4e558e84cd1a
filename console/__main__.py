"""`python -m console` and the `wakeline` command."""

from __future__ import annotations

import io
import sys

from console.cli import run


def main() -> None:
    """Run the command line and leave with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # where the terminal's or the pipe's character set lacks a sign, its escape is better than no answer
            stream.reconfigure(errors="backslashreplace")
    sys.exit(run(sys.argv[1:]))


if __name__ == "__main__":
    main()
