"""The one stream that everything else is a fold over: bytes, line events and marks, each with its time.

A live port, the simulated bench and a recorded capture produce the same events. Times are nanoseconds since the
Unix epoch, from a monotonic clock that was set to the wall clock once (`console.clock`): differences are exact.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Final, TypeAlias

from protocols.family import Direction

Value: TypeAlias = str | int | float | bool | None
NOTHING: Final[Mapping[str, Value]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as the port took ("out") or gave ("in") them; `t_ns` is when that call returned."""

    t_ns: int
    direction: Direction
    data: bytes


class LineKind(StrEnum):
    """What happened on the line beside clean bytes."""

    BREAK = "break"
    FRAMING = "framing"
    PARITY = "parity"
    FRAMING_OR_PARITY = "framing-or-parity"  # marked bytes cannot tell the two apart (termios(3): both are FF 00 c)
    OVERRUN = "overrun"
    LOST = "data-lost"
    LINES = "lines"


class Line(StrEnum):
    """Modem and control lines, named as on the connector."""

    CTS = "cts"
    DCD = "dcd"
    DSR = "dsr"
    RTS = "rts"
    DTR = "dtr"
    RING = "ring"


@dataclass(frozen=True, slots=True)
class LineEvent:
    """A line error, a break, or a change of control lines.

    `data` holds the byte an error was reported with, if the system gave it. For LINES, `lines` holds the lines
    that are asserted now.
    """

    t_ns: int
    kind: LineKind
    data: bytes = b""
    lines: frozenset[Line] = frozenset()


class MarkKind(StrEnum):
    """What the console or the operator did, beside the bytes."""

    # port, baud, frame, frame_in_use, family, tool, line_errors, low_latency, ...; retuned: the port stayed open;
    # simulated: whether the board is, absent where nobody knows
    SETTINGS = "settings"
    ATTEMPT = "attempt"  # n, wires ("as-built" or "swapped"): a new attempt and the configuration it is made in
    STAGE_BEGIN = "stage-begin"  # name; test: true where its bytes are a test of the line and no talk with the board
    STAGE_END = "stage-end"  # name, outcome, and on failure hint, message
    OPERATOR = "operator"  # action, and what it changed
    FINDING = "finding"  # test, message; check and outcome where it answers a check, seen where it is an observation
    NOTE = "note"  # text
    PLAN = "plan"  # what a programming run is about to do: task, bytes, pages, expected_s
    # done, total (bytes): how far the running stage is; proven, written, erased (ranges): what is known by now
    PROGRESS = "progress"
    CHIP = "chip"  # unique_id: 24 hex digits, what tells this chip from all others of its kind
    PROOF = "proof"  # complete, and as in progress what is known of the memory at the end
    BRINGUP = "bringup"  # step, and what belongs to it: how a board's plan goes (console.bringup.fold names the steps)
    LINK_LOST = "link-lost"  # message, help
    ERROR = "error"  # code, message, help: the run ended for this reason
    STOPPED = "stopped"  # the user stopped it
    END = "end"  # the record ends cleanly; its absence tells a cut file


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark in the stream; `fields` are plain values so that a capture can carry them as text."""

    t_ns: int
    kind: MarkKind
    fields: Mapping[str, Value] = field(default_factory=lambda: NOTHING)


Event: TypeAlias = Chunk | LineEvent | Mark
