"""Sessions over a link without a port."""

from __future__ import annotations

import asyncio

import pytest

from console.events import Event


@pytest.fixture
def events() -> list[Event]:
    return []


@pytest.fixture(autouse=True)
async def debugged_loop() -> None:
    """What is never awaited, or called from another thread, is told where it was made."""
    asyncio.get_running_loop().set_debug(True)
