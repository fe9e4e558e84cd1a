"""The stages of an attempt on one time axis, with where the time went: line, chip, us, waiting."""

from __future__ import annotations

from typing import Final

from textual.content import Content
from textual.events import Resize

from console.errors import Outcome
from console.screens.panel import TextPanel
from console.screens.text import fit, line
from console.session.stage import StageResult
from console.snapshot import Snapshot
from console.words import seconds

_PARTS: Final = (("wire_s", "█"), ("chip_s", "▓"), ("host_s", "▒"))
_WAITED: Final = "·"
_FIXED: Final = 21  # name, sign and word
_NUMBERS: Final = (("elapsed", 10), ("wire", 10), ("chip", 10), ("host", 10))
_BYTES: Final = 8
WORDS: Final = {
    None: ("…", "running", "$text-accent"),
    Outcome.OK: ("✓", "done", "$text-success"),
    Outcome.NO_ANSWER: ("✗", "no answer", "$text-error"),
    Outcome.REFUSED: ("✗", "refused", "$text-error"),
    Outcome.MISMATCH: ("✗", "mismatch", "$text-error"),
    Outcome.PORT: ("✗", "port lost", "$text-error"),
    Outcome.STOPPED: ("■", "stopped", "$text-warning"),
}


class StagesPanel(TextPanel):
    """A timeline of the stages; the newest attempt stands first."""

    TITLE = "stages"
    HELP = (
        "The attempt's stages on one time axis. A bar begins where its stage began and is as long as it took:\n\n"
        "█ wire    the characters on the line, computed from rate and frame\n"
        "▓ chip    from our last bit to the board's first\n"
        "▒ host    from an answer to our next request\n"
        "· waited  for something that did not come\n\n"
        "'out>in' counts bytes sent and received (k: thousands). Earlier attempts stand below: scroll or zoom."
    )

    def __init__(self, id: str) -> None:
        super().__init__(id)
        self._present = 0  # lines down to the end of the present attempt
        self._known = 0

    def watch_snapshot(self) -> None:
        """New data; a stage that begins comes into sight."""
        super().watch_snapshot()
        if self.snapshot is not None and len(self.snapshot.stages) != self._known:
            self._known = len(self.snapshot.stages)
            self.call_after_refresh(self._follow)

    def on_resize(self, event: Resize) -> None:
        """Another size: the stage that runs stays in sight."""
        super().on_resize(event)
        self.call_after_refresh(self._follow)

    def _follow(self) -> None:
        self.scroll_to(y=max(0, self._present - self.scrollable_content_region.height), animate=False)

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """The present attempt's stages, then the earlier ones'."""
        numbers = sum(room for _, room in _NUMBERS) + _BYTES
        bar = width - _FIXED - numbers
        attempt = f"stages, attempt {snapshot.attempt}" if snapshot.attempt else "stages"
        self.border_title = f"{attempt}: █ wire ▓ chip ▒ host · waited"
        if not snapshot.stages:
            return [line(("no stage yet: h starts listen, sync, identify", "$secondary"))]
        out = []
        self._present = 0
        if self.roomy or height > 4:
            head = fit("", _FIXED) + fit("time axis" if bar > 9 else "", bar)
            names = "".join(f"{name:>{room}}" for name, room in _NUMBERS) + f"{'out>in':>{_BYTES}}"
            out.append(line((head + names, "$secondary")))
        for number in sorted({stage.attempt for stage in snapshot.stages}, reverse=True):
            rows = [stage for stage in snapshot.stages if stage.attempt == number]
            if number != snapshot.attempt:
                out.append(line((f"attempt {number}", "$secondary")))
            out += [_row(stage, rows, bar) for stage in rows]
            if self.roomy:
                out += [line((f"  {s.name}: {s.message}", "$secondary")) for s in rows if s.message]
            if number == snapshot.attempt:
                self._present = len(out)
        return out


def _row(stage: StageResult, rows: list[StageResult], bar: int) -> Content:
    sign, word, style = WORDS.get(stage.outcome, ("✗", str(stage.outcome), "$text-error"))
    spent = (stage.elapsed_s, stage.wire_s, stage.chip_s, stage.host_s)
    times = "".join(f"{seconds(t):>{room}}" for t, (_, room) in zip(spent, _NUMBERS, strict=True))
    return line(
        fit(stage.name, 9) + " ",
        (fit(f"{sign} {word}", _FIXED - 10), style),
        (timeline(stage, rows, bar), "$primary"),
        times,
        f"{f'{_count(stage.bytes_out)}>{_count(stage.bytes_in)}':>{_BYTES}}",
    )


def _count(number: int) -> str:
    """At most four columns: 999, 35k, 5M (thousands and millions, cut)."""
    return str(number) if number < 1000 else f"{number // 1000}k" if number < 1_000_000 else f"{number // 1_000_000}M"


def timeline(stage: StageResult, rows: list[StageResult], width: int) -> str:
    """The stage as text of `width` columns on the axis of its attempt, to scale; at least one column long."""
    if width <= 0:
        return ""
    begin = min(row.started_s for row in rows)
    end = max(row.started_s + row.elapsed_s for row in rows)
    scale = width / max(end - begin, 1e-9)
    at = min(width - 1, int((stage.started_s - begin) * scale))
    length = max(1, min(width - at, round(stage.elapsed_s * scale)))
    out = ""
    spent = 0.0
    for field, sign in _PARTS:
        spent += getattr(stage, field)
        # computed line time can exceed what really passed: a pseudo terminal takes bytes faster than the rate says
        share = min(1.0, spent / stage.elapsed_s) if stage.elapsed_s > 0 else 1.0 if spent > 0 else 0.0
        out += sign * max(0, round(share * length) - len(out))
    return (" " * at + (out + _WAITED * length)[:length]).ljust(width)
