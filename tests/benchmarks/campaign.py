"""Hundreds of random faults at random places of programming runs, and what became of each board.

Run: python tests/benchmarks/campaign.py [RUNS [SEED]]   (JSON on standard output)

Every run puts a random image into a simulated chip with random old content, over a line that loses, spoils or delays
bytes, a chip that is reset, deaf or loses power, worn cells, a port that vanishes, or a program that is killed. Time is
virtual. Counted are: false successes (a good end without the image in flash), false proofs (a range called proven that
is not right), hangs, exceptions that are none of ours, and, for every run that did not end well and whose chip is not
worn, whether a second run with --resume on a good line puts the image there. The goals are 0, 0, 0, 0 and all.
"""

from __future__ import annotations

import asyncio
import json
import random
import sys
from collections import Counter
from collections.abc import Coroutine
from dataclasses import dataclass
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import protocols
from console.errors import Outcome, WakelineError
from console.images.image import Image, Segment
from console.programming.chip_file import find_chip
from console.programming.plan import Options
from console.programming.planner import erase_plan, make_plan, touched_pages
from console.programming.run import announce, carry_out, offered, read_pages, recorded, wake
from console.programming.stages import Work
from console.session.session import Session
from console.snapshot import Fold, Snapshot
from protocols.an3155.target import COMMANDS_ERASE, COMMANDS_EXTENDED, Target
from protocols.an3155.target import Chip as Simulated
from protocols.errors import ProtocolError
from tests.chip_link import ChipLink, Hang, Spoiler, warp

FLASH = 0x0800_0000
CHIP = find_chip("0x410")
LONGEST_S = 3600.0
ONCE = ("lost-out", "spoiled-out", "lost-in", "spoiled-in", "nack", "reset", "power", "stall", "late", "vanish")
KINDS = (*ONCE, "often-lost", "often-spoiled", "killed", "worn", "locked")


@dataclass
class End:
    """How one run ended."""

    snapshot: Snapshot
    error: BaseException | None
    work: Work | None


async def program(target: Target, image: Image, spoiler: Spoiler, resume: bool, kill_at_s: float = 0.0) -> End:
    """One run, at most an hour of virtual time."""
    fold = Fold()
    link = ChipLink(target, spoiler)
    session = Session(link, protocols.load("an3155"), clock=link.clock, sinks=[fold.add])
    end = End(fold.snapshot(), None, None)

    async def whole() -> None:
        async with session:
            with recorded(session):
                if await wake(session, listen_s=0, realign=resume) is not Outcome.OK:
                    return
                programmer = offered(session)
                work = end.work = Work(programmer, erase_plan(CHIP, (), programmer))
                options = Options(changed_only=resume)
                pages = touched_pages(image, CHIP) if resume else ()
                current = await read_pages(session, work, pages) if resume else {}
                work.plan = make_plan(image, CHIP, programmer, options, current)
                announce(session, "program", work.plan)
                await carry_out(session, work)

    task = asyncio.ensure_future(whole())
    if kill_at_s:
        asyncio.get_running_loop().call_later(kill_at_s, task.cancel)
    try:
        async with asyncio.timeout(LONGEST_S):
            await task
    except (WakelineError, ProtocolError) as error:
        end.error = error
    except asyncio.CancelledError:
        end.error = KeyboardInterrupt()
    end.snapshot = fold.snapshot()
    return end


def spoiler_for(kind: str, dice: random.Random, length: int) -> Spoiler:
    """The fault of this run; `length` is about how many bytes the run sends."""
    at = dice.randrange(20, length)
    every = dice.randrange(300, 3000)
    flip = 1 << dice.randrange(8)
    match kind:
        case "lost-out":
            return Spoiler(out=lambda n, byte: None if n == at else byte)
        case "spoiled-out":
            return Spoiler(out=lambda n, byte: byte ^ flip if n == at else byte)
        case "lost-in":
            return Spoiler(into=lambda n, byte: None if n == at else byte)
        case "spoiled-in":
            return Spoiler(into=lambda n, byte: byte ^ flip if n == at else byte)
        case "nack":
            return Spoiler(into=lambda n, byte: 0x1F if n == at else byte)
        case "often-lost":
            return Spoiler(out=lambda n, byte: None if dice.randrange(every) == 0 else byte)
        case "often-spoiled":
            return Spoiler(
                out=lambda n, byte: byte ^ flip if dice.randrange(every) == 0 else byte,
                into=lambda n, byte: byte ^ flip if dice.randrange(every) == 0 else byte,
            )
        case "reset" | "power" | "stall" | "late" | "vanish":
            return Spoiler(at_out={at: kind})
    return Spoiler()


def wear(target: Target, dice: random.Random, size: int) -> None:
    """One bit of one cell stays set (or, as likely, cleared) whatever is written."""
    place, bit, high = FLASH + dice.randrange(size), 1 << dice.randrange(8), dice.random() < 0.5
    program, erase = target.memory.program, target.memory.erase

    def hold() -> None:
        now = target.memory.read(place, 1)[0]
        target.memory.load(place, bytes((now | bit if high else now & ~bit,)))

    target.memory.program = lambda address, data: (program(address, data), hold())[1]  # type: ignore[method-assign]
    target.memory.erase = lambda part: (erase(part), hold())[1]  # type: ignore[method-assign]


class Campaign:
    """Runs, and what was found."""

    def __init__(self) -> None:
        self.found: Counter[str] = Counter()
        self.by_kind: dict[str, Counter[str]] = {kind: Counter() for kind in KINDS}
        self.longest_s = 0.0
        self.told: list[str] = []

    def run(self, number: int, seed: int) -> None:
        """One board: the run with its fault, and the resume if it did not end well."""
        dice = random.Random(f"{seed}/{number}")
        kind = KINDS[number % len(KINDS)]
        commands = dice.choice((COMMANDS_ERASE, COMMANDS_EXTENDED))
        target = Target(Simulated(loader_version=dice.choice((0x22, 0x31)), commands=commands))
        target.memory.load(FLASH, dice.randbytes(16 * 1024))
        size = dice.randrange(300, 7000)
        image = Image("random", "raw", (Segment(FLASH, dice.randbytes(size)),))
        if kind == "worn":
            wear(target, dice, size)
        if kind == "locked":
            target.memory.locked = {dice.randrange(2)}
        spoiler = spoiler_for(kind, dice, size * 13 // 12 + 300)
        kill_at_s = dice.uniform(0.05, size * 0.0002) if kind == "killed" else 0.0

        word = f"run {number} ({kind})"
        good = self._judged(word, target, image, self._end(word, program(target, image, spoiler, False, kill_at_s)))
        self.by_kind[kind]["ended well" if good else "did not"] += 1
        if good or kind in ("worn", "locked"):
            return
        word += ", resumed"
        again = self._judged(word, target, image, self._end(word, program(target, image, Spoiler(), True)))
        self.found["resumes that put the image there" if again else "resumes that did not"] += 1
        if not again:
            self.told.append(word)

    def _end(self, word: str, run: Coroutine[Any, Any, End]) -> End | None:
        try:
            end = warp(run)
        except Exception as error:
            self.found["hangs" if isinstance(error, TimeoutError | Hang) else "other exceptions"] += 1
            self.told.append(f"{word}: {error!r}")
            return None
        self.longest_s = max(self.longest_s, sum(stage.elapsed_s for stage in end.snapshot.stages))
        return end

    def _judged(self, word: str, target: Target, image: Image, end: End | None) -> bool:
        """Whether the run ended well; what it claims is held against what the chip holds."""
        if end is None:
            return False
        for span in end.work.ledger.proven if end.work is not None else ():
            inside = image.read(span.start, min(span.size, image.end - span.start))
            if inside is not None and target.memory.read(span.start, len(inside)) != inside:
                self.found["false proofs"] += 1
                self.told.append(f"{word}: false proof at {span.start:#x}")
        good = end.error is None and end.snapshot.outcome is Outcome.OK
        if good and target.memory.read(FLASH, image.size) != image.segments[0].data:
            self.found["false successes"] += 1
            self.told.append(f"{word}: false success")
        return good

    def report(self) -> dict[str, object]:
        """The counts, the goals first."""
        goals = ("false successes", "false proofs", "hangs", "other exceptions", "resumes that did not")
        return {
            "runs": sum(sum(count.values()) for count in self.by_kind.values()),
            **{name: self.found[name] for name in (*goals, "resumes that put the image there")},
            "longest run, virtual s": round(self.longest_s, 1),
            "by kind": {kind: dict(count) for kind, count in self.by_kind.items()},
            "told": self.told[:20],
        }


def main(runs: int = 300, seed: int = 1) -> None:
    """All runs of one seed."""
    campaign = Campaign()
    for number in range(runs):
        campaign.run(number, seed)
    print(json.dumps(campaign.report(), indent=2))


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:]))
