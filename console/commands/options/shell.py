"""Options of the commands that serve the shell."""

from __future__ import annotations

from argparse import ArgumentParser


def completion(sub: ArgumentParser) -> None:
    """Options of `wakeline completion`."""
    sub.add_argument("shell", choices=("bash", "zsh", "tcsh"))
