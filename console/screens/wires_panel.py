"""The cable as a strip: adapter end, wire, board end, and what the evidence says about each wire, in words."""

from __future__ import annotations

from typing import Final

from textual.content import Content

from console.causes.wires import WireEvidence
from console.screens.panel import TextPanel
from console.screens.text import fit, line
from console.snapshot import Snapshot

SIGNS: Final = {"proven": ("✓", "$text-success"), "suspect": ("▲", "$text-warning"), "unknown": ("·", "$secondary")}
_HEADS: Final = {"host-tx": ("━", "▶"), "host-rx": ("◀", "━"), "ground": ("━", "━"), "power": ("━", "━")}
_NEED_FOR_REASONS: Final = 90


class WiresPanel(TextPanel):
    """Four wires between the adapter and the board."""

    TITLE = "cable: adapter to board"
    HELP = (
        "The cable between adapter and board, one wire a line. Left is the adapter's pin, right the board's pin that "
        "it has to reach; the arrow shows which way bytes travel.\n\n"
        "✓ proven   a documented answer came through it\n"
        "▲ suspect  a leading cause points at this wire\n"
        "· unknown  nothing seen so far says anything about it\n\n"
        "A power wire may be missing on purpose: a board can have its own supply. Zoom shows the reasons in full."
    )

    def paint(self, snapshot: Snapshot, width: int, height: int) -> list[Content]:
        """Two wires a line where there is little room, else one with its reason."""
        self.border_title = f"{self.TITLE}, {'TX and RX swapped by you' if snapshot.wires_swapped else 'as built'}"
        wires = snapshot.wires
        if height < len(wires) and not self.roomy:
            half = (width - 3) // 2
            pairs = [wires[at : at + 2] for at in range(0, len(wires), 2)]
            return [Content("   ").join([_wire(one, half) for one in pair]) for pair in pairs]
        if width < _NEED_FOR_REASONS:
            out = []
            for one in wires:
                out.append(_wire(one, width))
                if self.roomy:
                    out += [line(("      " + one.why, "$secondary")), Content("")]
            return out
        strip = min(64, width // 2)
        return [_wire(one, strip) + line(("   " + fit(one.why, width - strip - 3), "$secondary")) for one in wires]


def _wire(wire: WireEvidence, width: int) -> Content:
    sign, style = SIGNS[wire.state]
    left, right = _HEADS.get(wire.id, ("━", "━"))
    word = f" {sign} {wire.state} "
    run = "━" if wire.state == "proven" else "╍" if wire.state == "suspect" else "┄"
    left, right = (run if end == "━" else end for end in (left, right))
    space = width - len(word) - 12
    before = run * max(0, space // 2)
    after = run * max(0, space - space // 2)
    return line(
        (f"{wire.adapter_end:>4} ", "bold"),
        (left + before, style),
        (word, f"{style} bold"),
        (after + right, style),
        (f" {wire.board_end:<4}", "bold"),
    )
