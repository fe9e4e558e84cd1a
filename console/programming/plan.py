"""What a plan is: the steps that put an image into a chip, in order. `planner` makes one. Pure: no port, no clock.

The order of a plan is its safety: everything is erased before anything is written, and everything else is proven
before the last block is written. That is the one the chip starts from (its vector table), where the plan writes it: a
board that was cut off then does not start. Where the plan leaves it alone, it is the image's first block, which a
loader of the board's own may look at.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeAlias

from console.errors import UsageTrouble
from console.images.image import Span
from console.programming.chips import Chip
from protocols.programmer import SupplyRange


@dataclass(frozen=True, slots=True)
class Options:
    """What the user decides. `ranges` empty: the whole image.

    `changed_only`: leave pages alone that hold the image already, and do not erase where the bytes to write are blank.
    `keep_neighbours`: what else is on a page that is erased is written again. All but the last need the pages' content.
    `no_erase`: refuse a plan that would have to erase. `erase_all`: one mass erase in place of pages.
    Raises UsageTrouble where two of them exclude each other.
    """

    changed_only: bool = False
    keep_neighbours: bool = False
    no_erase: bool = False
    erase_all: bool = False
    ranges: tuple[Span, ...] = ()

    def __post_init__(self) -> None:
        if self.erase_all and self.needs_content:
            names = ("changed_only", "keep_neighbours", "no_erase")
            (option, *_) = (f"--{name.replace('_', '-')}" for name in names if getattr(self, name))
            raise UsageTrouble(
                "usage",
                "to erase everything leaves nothing to keep or compare",
                help=f"leave --erase-all or {option} out",
            )

    @property
    def needs_content(self) -> bool:
        """Whether a plan needs to know what the chip holds."""
        return self.changed_only or self.keep_neighbours or self.no_erase


@dataclass(frozen=True, slots=True)
class SupplyStep:
    """Tell the loader, before anything else, that the chip's supply is in this range; `volts` is what was measured."""

    volts: float
    range: SupplyRange


@dataclass(frozen=True, slots=True)
class EraseStep:
    """One erase command; `pages` None is everything. `pause_s` of silence must follow."""

    pages: tuple[int, ...] | None
    pause_s: float = 0.0


@dataclass(frozen=True, slots=True)
class WriteStep:
    """One write of at most the protocol's block, aligned to the chip's granule."""

    address: int
    data: bytes = field(repr=False)

    @property
    def span(self) -> Span:
        """Where it lies."""
        return Span(self.address, len(self.data))


@dataclass(frozen=True, slots=True)
class VerifyStep:
    """One read-back of at most the protocol's block."""

    address: int
    data: bytes = field(repr=False)

    @property
    def span(self) -> Span:
        """Where it lies."""
        return Span(self.address, len(self.data))


Step: TypeAlias = SupplyStep | EraseStep | WriteStep | VerifyStep


@dataclass(frozen=True, slots=True)
class Plan:
    """What will be done, in order: `supply` is told, `erases`, `writes`, `verifies`, then `seal` alone, the block
    that goes last.

    `seal_verifies` reads back what the seal wrote. `already` was found right by reading and is left alone;
    `rechecks` read it once more, for runs in which the line spoiled something since. `kept` are bytes beside the image
    that are written again, `lost` bytes beside it that the erase takes, `unread` places beside it that it takes without
    a look at what they hold. `blank_pages` are written without an erase because the bytes were seen to be blank.
    ValueError where a write lies on any other page. `content` is what each unit that the image touches shall hold, as
    far as that is known; the rest of it is blank.
    """

    chip: Chip
    erases: tuple[EraseStep, ...]
    writes: tuple[WriteStep, ...]
    verifies: tuple[VerifyStep, ...]
    seal: WriteStep | None = None
    seal_verifies: tuple[VerifyStep, ...] = ()
    already: tuple[Span, ...] = ()
    rechecks: tuple[VerifyStep, ...] = ()
    kept: tuple[Span, ...] = ()
    lost: tuple[Span, ...] = ()
    unread: tuple[Span, ...] = ()
    blank_pages: frozenset[int] = frozenset()
    content: Mapping[int, bytes] = field(default_factory=dict, repr=False)
    supply: SupplyStep | None = None

    def __post_init__(self) -> None:
        erased = self.erased_pages
        for step in self.all_writes:
            for page in _pages_of(self.chip, step.span):
                if page not in erased and page not in self.blank_pages:
                    raise ValueError(f"a write to {self.chip.unit} {page}, which is neither erased nor blank")

    @property
    def steps(self) -> tuple[Step, ...]:
        """Everything in the order it is done."""
        seal: tuple[Step, ...] = () if self.seal is None else (self.seal, *self.seal_verifies)
        supply: tuple[Step, ...] = () if self.supply is None else (self.supply,)
        return (*supply, *self.erases, *self.writes, *self.verifies, *seal)

    @property
    def timed_chip(self) -> Chip:
        """The chip with the times it has once the loader was told what the plan tells it."""
        return self.chip if self.supply is None else self.chip.working_by_words()

    @property
    def all_writes(self) -> tuple[WriteStep, ...]:
        """All writes, the seal last."""
        return self.writes if self.seal is None else (*self.writes, self.seal)

    @property
    def all_verifies(self) -> tuple[VerifyStep, ...]:
        """All read-backs."""
        return (*self.verifies, *self.seal_verifies)

    @property
    def erased_pages(self) -> frozenset[int]:
        """Numbers of the erase units that are erased."""
        found: set[int] = set()
        for step in self.erases:
            found.update(range(self.chip.page_count) if step.pages is None else step.pages)
        return frozenset(found)

    @property
    def erases_everything(self) -> bool:
        """Whether one command of it erases the whole flash."""
        return any(step.pages is None for step in self.erases)

    @property
    def bytes_to_write(self) -> int:
        """Bytes that go over the line to be written, padding included, blank blocks left out."""
        return sum(len(step.data) for step in self.all_writes)

    @property
    def bytes_to_verify(self) -> int:
        """Bytes that are read back."""
        return sum(len(step.data) for step in self.all_verifies)

    @property
    def changes(self) -> bool:
        """Whether it erases or writes anything."""
        return bool(self.erases or self.all_writes)

    @property
    def seals_start(self) -> bool:
        """Whether the block that goes last holds the address the chip starts at: without it, nothing starts."""
        return self.seal is not None and self.seal.span.holds(self.chip.vectors.start + 4, 4)

    @property
    def erases_start(self) -> bool:
        """Whether the unit is erased that holds what the chip starts from."""
        return bool(self.erased_pages & set(self.chip.pages_covering((self.chip.vectors,))))

    @property
    def changes_flash(self) -> bool:
        """Whether it erases or writes any flash."""
        return bool(self.erases) or any(self.chip.flash.holds(step.address) for step in self.all_writes)


def _pages_of(chip: Chip, span: Span) -> tuple[int, ...]:
    return chip.pages_covering((span,)) if chip.flash.holds(span.start, span.size) else ()
