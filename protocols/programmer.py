"""What programming needs of a protocol family, whatever its bytes are: conversations and what they cost on the line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from protocols.conversation import Conversation
from protocols.errors import Refused

if TYPE_CHECKING:
    from protocols.family import SyncResult


class Realign(Protocol):
    """Brings a chip that may wait for the rest of a half command back to where it takes commands.

    `pending` is the packet that was damaged, if that is known. Returns how many bytes it took. Raises NoReply when the
    chip stays silent to all of them, which leaves nothing but a reset. Never completes what the chip waits for into
    anything but the command that was pending.
    """

    def __call__(self, pending: bytes = b"") -> Conversation[int]:
        """The conversation."""
        ...


@dataclass(frozen=True, slots=True)
class SupplyRange:
    """A range of supply voltages that a loader can be told, in volts, both ends in it.

    `width` is how many bits of flash it erases and programs at once when it was told.
    """

    least_v: float
    most_v: float
    width: int

    def holds(self, volts: float) -> bool:
        """Whether `volts` lies in it."""
        return self.least_v <= volts <= self.most_v


@dataclass(frozen=True, slots=True)
class Programmer:
    """The conversations of one chip, each as its document says.

    `read(address, count)`; `write(address, data, within_s)` and `erase(page numbers, within_s)`, where `within_s` is
    what the chip itself may take for the work, in seconds; `erase_all(within_s)`; `go(address)` starts a program;
    `sync()` wakes a chip that may have been left with half a command, and never completes that into another one.
    `unprotect(within_s)` lifts the readout protection, which erases everything, and may reset the chip.
    `checksum(address, count)` is None where the chip has no such command; `checksum_of(data)` is what it should say.
    `supplies` are the ranges that the loader can be told with `tell_supply(range)`; () where it can be told nothing.
    What the chip does not have raises OurMistake before anything is sent.

    `max_block` bytes fit into one read or write; a write is a multiple of `write_unit` at a multiple of it.
    `max_pages` numbers fit into one erase, none above `max_page_number`. The `*_chars` say how many characters of both
    directions one such command takes on the line. `denied` tells a refusal of a command as such, which means
    protection, from one of its parameters.
    """

    read: Callable[[int, int], Conversation[bytes]]
    write: Callable[[int, bytes, float], Conversation[None]]
    erase: Callable[[Sequence[int], float], Conversation[None]]
    erase_all: Callable[[float], Conversation[None]]
    go: Callable[[int], Conversation[None]]
    unprotect: Callable[[float], Conversation[None]]
    sync: Callable[[], Conversation[SyncResult]]
    tell_supply: Callable[[SupplyRange], Conversation[None]]
    supplies: tuple[SupplyRange, ...]
    realign: Realign
    checksum: Callable[[int, int], Conversation[int]] | None
    checksum_of: Callable[[bytes], int]
    read_chars: Callable[[int], int]
    write_chars: Callable[[int], int]
    erase_chars: Callable[[int], int]
    denied: Callable[[Refused], bool]
    max_block: int
    write_unit: int
    max_pages: int
    max_page_number: int
