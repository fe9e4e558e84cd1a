"""What a person wants to have done to a chip, and whom the task asks on the way. Plain facts."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from console.images.image import Image, Span
from console.images.load import load_image
from console.programming.chips import Chip
from console.programming.plan import Options
from console.programming.stages import Work
from console.session.session import DEFAULT_LISTEN_S

CONSENT: Final = "--consent with the chip's product id, as 0x410"
"""The option that gives the consent to erase beforehand, in words."""


@dataclass(frozen=True, slots=True)
class Job:
    """The wishes; each field stands for the command line's option of that name, and means the same.

    Addresses and lengths in bytes, times in seconds. `supply_volts` was measured at the chip. `start` True: at the
    start of flash. `lift_protection` and `consent` are product ids as consent (`lift_protection` True: ask). `yes`: do
    not ask before changing anything.
    """

    image: str = ""
    address: int | None = None
    format: str | None = None
    chip: str | None = None
    chip_file: str | None = None
    ranges: Sequence[tuple[int, int]] | None = None
    changed_only: bool = False
    keep_neighbours: bool = False
    no_erase: bool = False
    erase_all: bool = False
    supply_volts: float | None = None
    quick: bool = False
    resume: bool = False
    plan: bool = False
    write_anyway: bool = False
    backup: str | None = None
    no_backup: bool = False
    start: int | bool | None = None
    start_listen: float = 2.0
    lift_protection: int | bool | None = None
    version_at: tuple[int, int] | None = None
    version_pattern: re.Pattern[bytes] | None = None
    other_board: bool = False
    length: int | None = None
    output: str = ""
    overwrite: bool = False
    pages: tuple[int, ...] | None = None
    everything: bool = False
    consent: int | None = None
    yes: bool = False
    listen: float = DEFAULT_LISTEN_S

    @property
    def spans(self) -> tuple[Span, ...]:
        """The ranges asked for; none: the whole image."""
        return tuple(Span(start, size) for start, size in self.ranges or ())

    @property
    def asks_for_id(self) -> bool:
        """Whether nobody has given a chip's product id yet as consent to erase."""
        return self.consent is None and (self.lift_protection is None or self.lift_protection is True)

    def load(self) -> Image:
        """The image. Raises InputTrouble or UsageTrouble."""
        return load_image(self.image, address=self.address, format=self.format)

    def plan_options(self) -> Options:
        """What the plan needs to know. Raises UsageTrouble for what does not go together.

        After a cut what is right already is left alone, unless everything was to be erased: that begins anew.
        """
        return Options(
            changed_only=self.changed_only or (self.resume and not self.erase_all),
            keep_neighbours=self.keep_neighbours,
            no_erase=self.no_erase,
            erase_all=self.erase_all,
            ranges=self.spans,
        )


class Front(Protocol):
    """Whoever stands between a task and the person: lines of text, or screens."""

    def say(self, *lines: str) -> None:
        """Lines for the person."""
        ...

    def began(self, work: Work) -> None:
        """The chip is awake: from now on `work.stop` ends the task at a block's border."""
        ...

    async def ask(self, question: str, wanted: str, option: str) -> bool:
        """Whether the person agrees to what was said; `wanted` is the word that says so: ``yes``, or the chip's own
        product id where something is erased for good. `option` gives the consent beforehand. Raises UsageTrouble where
        nobody can answer."""
        ...

    async def which_chip(self, product_id: int, fitting: Sequence[Chip]) -> Chip | None:
        """Which of the chips that say `product_id` it is (none fits: one of the person's own); None: it is not said.
        Raises what reading a file of the person's raises."""
        ...
