"""How a programming run stands: a fold over marks, the same live and in replay. Pure; time comes with the events."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from console.events import Mark, MarkKind
from console.text import clean

_MOST_SPANS: Final = 4000  # characters of a list of ranges; longer ones are cut with a word when they are written
# the loader is in ROM: whatever a cut leaves in flash, the board can be programmed again
# but one that was reset or lost its power is not in it, or has not heard the sync: only a reset settles that
GO_ON: Final = (
    "the boot loader is still there: connect and power the board, reset it into the boot loader (boot strap set), "
    "then go on with --resume"
)


@dataclass(frozen=True, slots=True)
class Programming:
    """One run. Bytes and seconds; ranges as text, first and last address.

    `done` of `total` bytes of the running or last stage, at `rate` bytes a second since the stage began; `eta_s` is
    what is left of the stage at that rate (None while nothing can be said). `complete`: everything the plan says was
    read back and was right. `ended`: the run has said its last word; before, what is proven, written and erased is what
    the latest progress said, and may be more by now. `planned` False: only something is read so far.
    `differing_bytes` and `differing_places`: what a comparison found that read everything.
    """

    task: str
    chip: str
    to_write: int
    to_verify: int
    to_erase: str
    expected_s: float | None
    already: str
    source: str = ""
    planned: bool = True
    stage: str = ""
    done: int = 0
    total: int = 0
    rate: float = 0.0
    eta_s: float | None = None
    repeated: int = 0
    repaired: int = 0
    complete: bool = False
    ended: bool = False
    proven: str = ""
    proven_bytes: int = 0
    by_checksum: int = 0
    written: str = ""
    erased: str = ""
    unsure: str = ""
    differing_bytes: int = 0
    differing_places: int = 0


_NOTHING: Final = Programming("", "", 0, 0, "", None, "", planned=False)


class ProgrammingFold:
    """Takes marks in time order; `state` is None until a plan was announced or something is read."""

    def __init__(self) -> None:
        self.state: Programming | None = None
        self._begun_ns = 0
        self._stage = ""

    def attempt(self) -> None:
        """A new attempt begins: what was planned before it is over, unless it goes on after a reset of the chip."""
        self.state = None

    def mark(self, mark: Mark) -> None:
        """Take one mark; fields of a foreign capture may be anything."""
        match mark.kind:
            case MarkKind.PLAN:
                self.state = Programming(
                    task=_text(mark, "task"),
                    chip=_text(mark, "chip"),
                    to_write=_count(mark, "write"),
                    to_verify=_count(mark, "verify"),
                    to_erase=_text(mark, "erase"),
                    expected_s=_amount(mark, "expected_s", 1e9),
                    already=_text(mark, "already"),
                    source=_text(mark, "source"),
                )
            case MarkKind.STAGE_BEGIN:
                self._begun_ns = mark.t_ns
                self._stage = _text(mark, "name")
                if self.state is not None:
                    self.state = replace(self.state, stage=self._stage, done=0, total=0, rate=0.0, eta_s=None)
            case MarkKind.PROGRESS:
                self._progress(self.state or replace(_NOTHING, stage=self._stage), mark)
            case MarkKind.PROOF if self.state is not None:
                self.state = replace(
                    _known(self.state, mark),
                    complete=mark.fields.get("complete") is True,
                    ended=True,
                    eta_s=None,
                    differing_bytes=_count(mark, "differing_bytes"),
                    differing_places=_count(mark, "differing_places"),
                )
            case _:
                pass

    def _progress(self, state: Programming, mark: Mark) -> None:
        done, total = _count(mark, "done"), _count(mark, "total")
        passed_s = (mark.t_ns - self._begun_ns) / 1e9
        rate = done / passed_s if passed_s > 0 else 0.0
        eta_s = max(0, total - done) / rate if rate > 0 else None
        self.state = replace(_known(state, mark), done=done, total=total, rate=rate, eta_s=eta_s)


def _known(state: Programming, mark: Mark) -> Programming:
    """With what the mark says of the memory (`Ledger.words`), all of it: a later mark takes an earlier one's place."""
    return replace(
        state,
        proven=_text(mark, "proven"),
        proven_bytes=_count(mark, "proven_bytes"),
        by_checksum=_count(mark, "by_checksum"),
        written=_text(mark, "written"),
        erased=_text(mark, "erased"),
        unsure=_text(mark, "unsure"),
        repeated=_count(mark, "repeated"),
        repaired=_count(mark, "repaired"),
    )


def after_a_cut(advice: str) -> str:
    """What to do about the port, and then about the board."""
    return f"{advice}; {GO_ON}"


def _text(mark: Mark, name: str) -> str:
    value = mark.fields.get(name)
    return "" if value is None else clean(str(value), _MOST_SPANS)


def _count(mark: Mark, name: str) -> int:
    return int(_amount(mark, name, 1 << 40) or 0)


def _amount(mark: Mark, name: str, below: float) -> float | None:
    value = mark.fields.get(name)
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if number and 0 <= value < below else None  # type: ignore[arg-type,operator]
