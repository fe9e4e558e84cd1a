"""Sessions over a link without a port."""

from __future__ import annotations

import pytest

from console.events import Event


@pytest.fixture
def events() -> list[Event]:
    return []
