"""A bench for one program's own use: starts the process, acts on it, and never leaves it behind."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from console.bench import control, registry
from console.errors import PortTrouble, UsageTrouble
from console.text import clean

_START_DEADLINE_S: Final = 20.0
_STOP_DEADLINE_S: Final = 5.0
_ROOT: Final = Path(__file__).resolve().parents[2]


class SimulatedBench:
    """One bench process. `async with SimulatedBench() as bench: await bench.start(...)`; leaving ends it.

    The process also ends by itself when ours does, however that ends: it watches the pipe on its standard input.
    """

    def __init__(self) -> None:
        self.port = ""
        """What to open; the same before and after a vanish only with `link` or `socket`."""
        self._process: asyncio.subprocess.Process | None = None
        self._entry: registry.BenchEntry | None = None

    async def start(
        self,
        *,
        scene: str | None = None,
        fault: str | Sequence[str] | None = None,
        chip: str | None = None,
        link: str | Path | None = None,
        paced: bool = True,
        socket: bool = False,
    ) -> None:
        """Start the process and wait until its port can be opened; `fault` is one, or several.

        Raises UsageTrouble `bench-start` with its own words when it refuses, PortTrouble `bench-gone` when it is slow.
        """
        if self._process is not None:
            raise RuntimeError("the bench runs already")
        words = ["-m", "console.bench", "--ready-json", "--child"]
        faults = [fault] if isinstance(fault, str) else fault or ()
        options = [("--scene", scene), ("--chip", chip), ("--link", link), *(("--fault", one) for one in faults)]
        for option, value in options:
            if value is not None:
                words += [option, str(value)]
        words += ["--socket"] * socket + ["--unpaced"] * (not paced)
        path = os.pathsep.join(filter(None, (str(_ROOT), os.environ.get("PYTHONPATH"))))
        self._process = await asyncio.create_subprocess_exec(
            sys.executable,
            *words,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            env={**os.environ, "PYTHONPATH": path},
        )
        try:
            await self._ready(self._process)
        except BaseException:
            await self.stop()
            raise

    async def _ready(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        assert process.stderr is not None
        try:
            async with asyncio.timeout(_START_DEADLINE_S):
                line = await process.stdout.readline()
        except TimeoutError as error:
            raise PortTrouble("bench-gone", "the simulated board does not start", help="try again") from error
        if not line:
            told = (await process.stderr.read()).decode(errors="replace")
            raise UsageTrouble(
                "bench-start",
                f"the simulated board refused to start: {clean(told.strip().partition(chr(10))[0])}",
                help="see `wakeline bench --list` for scenes and faults",
            )
        self.port = json.loads(line)["port"]
        self._entry = registry.read(registry.folder() / f"{process.pid}.json")

    async def act(self, action: str, **fields: Any) -> dict[str, Any]:
        """Do something on the bench (`control.ACTIONS`); returns its state after it.

        Raises UsageTrouble (refused), PortTrouble `bench-gone`.
        """
        if self._entry is None:
            raise PortTrouble("bench-gone", "the simulated board does not run", help="start it first")
        answer = await control.act(self._entry, action, **fields)
        self.port = answer.get("port") or self.port
        return answer

    async def stop(self) -> None:
        """End the process and wait for it; may be called twice."""
        process, self._process, self._entry = self._process, None, None
        if process is None:
            return
        try:
            async with asyncio.timeout(_STOP_DEADLINE_S):
                if process.stdin is not None:
                    process.stdin.close()  # a child bench ends with its standard input; communicate() leaves it open
                await process.communicate()
        except TimeoutError:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.communicate()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await asyncio.shield(self.stop())
