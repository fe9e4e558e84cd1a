"""One task on the chip behind a live port, for the screens. Knows no widget: whoever shows it answers its questions."""

from __future__ import annotations

from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import replace
from typing import Any, Final, Protocol

from console.errors import WakelineError
from console.events import Event, Mark, MarkKind
from console.programming.chips import Chip
from console.programming.run import recorded
from console.programming.stages import Work
from console.session.session import Session
from console.session.wording import mark_words
from console.tasks.catalogue import TASKS
from console.tasks.job import Job
from console.tasks.on_chip import OnChip, perform, stop
from console.tasks.writing import start_program
from protocols.errors import ProtocolError

_MOST_SAID: Final = 500
_WRITES: Final = ("program", "update", "restore")


class Hands(Protocol):
    """Whoever shows the task to a person."""

    async def consent(self, said: Sequence[str], question: str, wanted: str) -> bool:
        """Show what was said and ask; `wanted` is the word to type, or ``yes``."""
        ...

    async def which_chip(self, product_id: int, fitting: Sequence[Chip]) -> Chip | None:
        """As `console.tasks.job.Front.which_chip`."""
        ...

    def news(self) -> None:
        """There is something new to show beside the events."""
        ...


class ChipTask:
    """Implements `console.tasks.job.Front`. `name` is one of `TASKS`.

    `said` are the lines for the person, `trouble` is why it ended, if one of ours was the reason. `running` is true
    also while the person is asked. Raises what `TASKS` raises for a job that cannot be done.
    """

    def __init__(self, name: str, job: Job) -> None:
        self.name = name
        self.job = job
        self.said: deque[str] = deque(maxlen=_MOST_SAID)
        self.trouble: WakelineError | None = None
        self.running = False
        self.on: OnChip | None = None
        """The chip once the task has ended well."""
        self.hands: Hands | None = None
        self._body = TASKS[name](job)
        self._work: Work | None = None
        self._unseen: list[str] = []

    @property
    def writes(self) -> bool:
        """Whether it leaves a program on the chip."""
        return self.name in _WRITES

    @property
    def startable(self) -> bool:
        """Whether what was written can be started now."""
        return not self.running and self.on is not None and self.writes and "started" not in self.on.more

    @property
    def resumable(self) -> bool:
        """Whether there is something to go on with: it has ended, neither well nor with everything read."""
        return not self.running and self.on is None and (self.trouble is None or self.trouble.code != "differs")

    def resumed(self) -> ChipTask:
        """The same task once more: what is right is proven by reading it back, the rest is done."""
        return ChipTask(self.name, replace(self.job, resume=True))

    async def run(self, session: Session) -> None:
        """Do it; whatever ends it is in `trouble`, in what was said and in the record."""
        more: dict[str, Any] = {}
        await self._guarded(session, lambda: perform(session, self.job, self._body, self, more))

    async def start_program(self, session: Session) -> None:
        """Let the program that was written run, and hear its first words."""
        on = self.on
        if on is None:
            return

        async def go() -> OnChip:
            with recorded(session):
                await start_program(on, on.chip.flash_start)
            return on

        await self._guarded(session, go)

    def stop(self, session: Session, running_stage: bool) -> None:
        """End at the next block's border; asked for again, or where no block is under way, at once."""
        if stop(session, self._work, running_stage):
            self.say("stopping when this block is done; again stops at once")

    async def _guarded(self, session: Session, act: Callable[[], Awaitable[OnChip | None]]) -> None:
        self.running, self.trouble = True, None
        session.add_sink(self._event)
        try:
            self.on = await act()
        except ProtocolError:
            self.on = None  # the stage that failed says it
        except WakelineError as error:
            self.on, self.trouble = None, error
        finally:
            self.running = False
            session.remove_sink(self._event)
            self._tell()

    # ---------------------------------------------------------------- the front

    def say(self, *lines: str) -> None:
        """Lines for the person."""
        self.said += lines
        self._unseen += lines
        self._tell()

    def began(self, work: Work) -> None:
        """From now on a stop is heeded at a block's border."""
        self._work = work

    async def ask(self, question: str, wanted: str, option: str) -> bool:
        """Show what was said since the last question, and ask."""
        said, self._unseen = self._unseen, []
        return self.hands is not None and await self.hands.consent(said, question, wanted)

    async def which_chip(self, product_id: int, fitting: Sequence[Chip]) -> Chip | None:
        """Ask."""
        return None if self.hands is None else await self.hands.which_chip(product_id, fitting)

    def _tell(self) -> None:
        if self.hands is not None:
            self.hands.news()

    def _event(self, event: Event) -> None:
        if isinstance(event, Mark) and event.kind in (MarkKind.NOTE, MarkKind.LINK_LOST):
            self.said.append(f"note: {mark_words(event)}")
            self._tell()
