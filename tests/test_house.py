"""The walls of the house, kept by looking at what each module really loads, and the rules a machine can see."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "console", "protocols", "tests", "captures", "LICENSE"}
MODULES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for package in ("console", "protocols")
    for path in (ROOT / package).rglob("*.py")
    if path.name != "__main__.py"
)
MAX_LINES = 420


def loaded_by(*groups: str) -> dict[str, list[str]]:
    """For each group of modules, names with spaces between, what a fresh interpreter has loaded with all of them."""
    program = """
import json, os, sys
before = set(sys.modules)
out = {}
for name in sys.argv[1:]:
    read, write = os.pipe()
    if os.fork() == 0:
        for each in name.split():
            __import__(each)
        os.write(write, json.dumps(sorted(set(sys.modules) - before)).encode())
        os._exit(0)
    os.close(write)
    with os.fdopen(read) as stream:
        out[name] = json.load(stream)
    os.wait()
print(json.dumps(out))
"""
    run = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", program, *groups], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return dict(json.loads(run.stdout))


@pytest.mark.skipif(not hasattr(__import__("os"), "fork"), reason="needs fork, which this system does not have")
def test_no_module_loads_what_its_wall_forbids() -> None:
    walls = {
        "protocols": ("console", "asyncio", "serial", "serial_asyncio", "textual"),
        "console.causes": (
            "console.link",
            "console.bench",
            "console.screens",
            "console.record",
            "console.notebook",
            "sqlite3",
            "serial",
            "textual",
        ),
        "console.notebook": ("console.link", "console.bench", "console.screens", "serial", "textual", "asyncio"),
        "console.session": (
            "console.causes",
            "console.programming",
            "console.notebook",
            "console.bench",
            "console.screens",
            "textual",
        ),
        "console.link": (
            "console.causes",
            "console.programming",
            "console.notebook",
            "console.bench",
            "console.screens",
            "textual",
        ),
        "console.record": (
            "console.causes",
            "console.programming",
            "console.notebook",
            "console.bench",
            "console.screens",
            "textual",
        ),
        "console.boards": (
            "console.link",
            "console.record",
            "console.session",
            "console.bench",
            "console.screens",
            "asyncio",
            "serial",
            "textual",
        ),
        "console.bringup": ("console.bench", "console.screens", "console.commands", "textual"),
        "console.bench": (
            "console.causes",
            "console.session",
            "console.link",
            "console.screens",
            "textual",
            "protocols.an3155.acks",
            "protocols.an3155.contact",
            "protocols.an3155.host",
            "protocols.an3155.special",
            "protocols.an3155.observer",
        ),
        "console.report": ("console.link", "console.bench", "console.screens", "console.record", "serial", "textual"),
        "console.images": ("console.link", "console.session", "console.causes", "console.screens", "serial", "asyncio"),
        "console.programming": (
            "console.link",
            "console.session",
            "console.causes",
            "console.screens",
            "serial",
            "asyncio",
        ),
        "console.cli": ("textual", "serial", "construct", "asyncio", "console.screens"),
    }

    def broken(loaded: list[str], wall: str) -> list[str]:
        return [m for m in loaded for f in walls[wall] if m == f or m.startswith(f + ".")]

    rooms = {wall: [name for name in MODULES if name == wall or name.startswith(wall + ".")] for wall in walls}
    together = loaded_by(*map(" ".join, rooms.values()))
    for wall, modules in rooms.items():
        assert modules, f"there is no {wall}"
        if broken(together[" ".join(modules)], wall):  # only then: which of them it is
            for module, loaded in loaded_by(*modules).items():
                assert not broken(loaded, wall), f"{module} loads {broken(loaded, wall)[:5]}"


def test_nothing_else_at_the_top() -> None:
    git = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    names = {name.split("/")[0] for name in git.stdout.split("\n") if name}
    assert {name for name in names if not name.startswith(".")} <= TOP_LEVEL


@pytest.mark.parametrize("module", MODULES)
def test_every_module_states_its_rule_and_stays_readable(module: str) -> None:
    base = ROOT.joinpath(*module.split("."))
    path = base / "__init__.py" if base.is_dir() else base.with_suffix(".py")
    source = path.read_text(encoding="utf-8")
    assert ast.get_docstring(ast.parse(source)), f"{path} does not say what belongs in it"
    assert len(source.splitlines()) <= MAX_LINES, f"{path}: which noun wants a room of its own?"
