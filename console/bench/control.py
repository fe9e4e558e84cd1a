"""Acting on a running bench: one JSON object per line over TCP on 127.0.0.1, with the token of its entry.

Request: {"token": ..., "action": ..., other fields}. Answer: {"ok": true, ...} or {"ok": false, "code", "message",
"help"}. `running` and `find` are those of the registry.
"""

from __future__ import annotations

import hmac
import json
import socket
from collections.abc import Callable, Mapping
from typing import Any, Final

from console.bench.registry import BenchEntry, find, running
from console.errors import PortTrouble, UsageTrouble, WakelineError
from console.text import clean

__all__ = ["ACTIONS", "BenchEntry", "ControlServer", "act", "answer_line", "find", "parse_request", "running"]

Handler = Callable[[str, Mapping[str, Any]], dict[str, Any]]
MAX_LINE: Final = 4096
_MOST_CLIENTS: Final = 8
_DEADLINE_S: Final = 5.0

# action, and the field it needs beside the token
ACTIONS: Final[Mapping[str, str | None]] = {
    "swap-wires": None,
    "connect-ground": None,
    "power-on": None,
    "power-off": None,
    "strap-boot": None,
    "strap-run": None,
    "reset": None,
    "reflow": None,
    "join-adapter": None,
    "part-adapter": None,
    "board-off": None,
    "board-on": None,
    "adapter-frame": "frame",
    "adapter-baud": "baud",
    "vanish": None,
    "return": None,
    "fault": "name",
    "spoil": "flaw",
    "heal-flaws": None,
    "mend": "place",
    "look": "place",
    "exchange": "part",
    "measure": "at",
    "watch": "part",
    "port-state": "state",
    "check": "check",
    "repair": "step",
    "status": None,
}


def parse_request(line: bytes, token: str) -> tuple[str, dict[str, Any]]:
    """Action and fields of one request line.

    Raises UsageTrouble: bench-request (not a JSON object, or a field is missing), bench-token, bench-action.
    """
    try:
        data = json.loads(line)
    except (ValueError, RecursionError):
        data = None
    if not isinstance(data, dict):
        raise UsageTrouble("bench-request", "the request is not a JSON object", help="send one object per line")
    given = data.pop("token", None)
    if not isinstance(given, str) or not hmac.compare_digest(given.encode("utf-8", "replace"), token.encode()):
        raise UsageTrouble("bench-token", "the token is not this bench's", help="read it from the bench's own entry")
    action = data.pop("action", None)
    if not isinstance(action, str) or action not in ACTIONS:
        raise UsageTrouble(
            "bench-action",
            f"the bench knows no action {clean(str(action), 40)!r}",
            help=f"choose one of: {', '.join(ACTIONS)}",
        )
    needed = ACTIONS[action]
    if needed is not None and needed not in data:
        raise UsageTrouble("bench-request", f"{action} needs the field {needed}", help=f"add {needed}")
    return action, data


def answer_line(line: bytes, token: str, handler: Handler) -> bytes:
    """The answer to one request line; every error becomes an answer."""
    try:
        action, fields = parse_request(line, token)
        out = {"ok": True, **handler(action, fields)}
    except WakelineError as error:
        out = {"ok": False, "code": error.code, "message": error.message, "help": error.help}
    return json.dumps(out).encode() + b"\n"


async def act(entry: BenchEntry, action: str, **fields: Any) -> dict[str, Any]:
    """Have a running bench do something. Raises UsageTrouble (what it refused) or PortTrouble `bench-gone`."""
    import asyncio  # listing the running benches must not pay for it

    request = json.dumps({**fields, "token": entry.token, "action": action}).encode() + b"\n"
    gone = PortTrouble(
        "bench-gone", "the simulated board does not answer", where=entry.port, help="start it again: wakeline bench"
    )
    try:
        async with asyncio.timeout(_DEADLINE_S):
            reader, writer = await asyncio.open_connection("127.0.0.1", entry.control)
            try:
                writer.write(request)
                await writer.drain()
                data = json.loads(await reader.readline())
            finally:
                writer.close()
    except (OSError, ValueError, TimeoutError) as error:
        raise gone from error
    if not isinstance(data, dict):
        raise gone
    if not data.get("ok"):
        code, message, words = (clean(str(data.get(key, ""))) for key in ("code", "message", "help"))
        raise UsageTrouble(code, message, help=words)
    return data


class ControlServer:
    """The bench's side, for an own loop: watch `sockets`, call `ready` for each that can be read."""

    def __init__(self, token: str, handler: Handler) -> None:
        self._token = token
        self._handler = handler
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.setblocking(False)
        self._pending: dict[socket.socket, bytearray] = {}

    @property
    def port(self) -> int:
        """The TCP port it listens on."""
        port: int = self._listener.getsockname()[1]
        return port

    def sockets(self) -> list[socket.socket]:
        """What to watch now."""
        return [self._listener, *self._pending]

    def ready(self, ready: socket.socket) -> None:
        """One of `sockets` can be read."""
        if ready is self._listener:
            self._accept()
            return
        pending = self._pending.get(ready)
        if pending is None:
            return
        try:
            data = ready.recv(MAX_LINE)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        pending += data
        while b"\n" in pending:
            line, _, rest = bytes(pending).partition(b"\n")
            pending[:] = rest
            try:
                ready.sendall(answer_line(line, self._token, self._handler))
            except OSError:
                data = b""
                break
        if not data or len(pending) > MAX_LINE:
            del self._pending[ready]
            ready.close()

    def close(self) -> None:
        """Close everything."""
        for each in self.sockets():
            each.close()
        self._pending.clear()

    def _accept(self) -> None:
        try:
            client, _ = self._listener.accept()
        except OSError:
            return
        if len(self._pending) >= _MOST_CLIENTS:
            client.close()
            return
        client.setblocking(False)
        self._pending[client] = bytearray()
