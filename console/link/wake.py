"""Putting a board into its boot ROM over the adapter's control lines, without hands.

The order is that of the hand: strap first, then press and release reset, because the chip samples its strap when reset
ends (AN2606, boot mode selection).
"""

from __future__ import annotations

import asyncio

from console.link.base import LineUse, Link, WakeLines


async def run_wake(link: Link, wake: WakeLines) -> bool:
    """Strap active, reset active, hold, release reset, settle. The strap stays active.

    False when nothing is wired or the port has no such lines. Raises PortTrouble link-lost. Reset is released even
    when the caller is cancelled in between.
    """
    if wake.reset is None and wake.strap is None:
        return False
    if wake.strap is not None and not await _set(link, wake.strap, active=True):
        return False
    if wake.reset is not None:
        if not await _set(link, wake.reset, active=True):
            return False
        try:
            await asyncio.sleep(wake.hold_s)
        finally:
            await _set(link, wake.reset, active=False)
    await asyncio.sleep(wake.settle_s)
    return True


async def _set(link: Link, use: LineUse, *, active: bool) -> bool:
    level = use.active_when if active else not use.active_when
    return await (link.set_lines(dtr=level) if use.line == "dtr" else link.set_lines(rts=level))
