"""Evidence from bare codes."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from console.causes.evidence import Configured, Evidence, Observation

Make = Callable[..., Evidence]


@pytest.fixture
def seen() -> Make:
    """Evidence of one as-built attempt with these codes; `swapped` gives codes of a later swapped attempt.

    With `back` the wires are as built again.
    """

    def make(
        *codes: str, swapped: tuple[str, ...] = (), checks: tuple[tuple[str, str], ...] = (), back: bool = False
    ) -> Evidence:
        first = Configured(False, tuple(Observation(code, code, 1) for code in codes))
        second = Configured(True, tuple(Observation(code, code, 1) for code in swapped))
        both = tuple(reading for reading in (first, second) if reading.observations)
        return Evidence(both, second if swapped and not back else first, checks=checks)

    return make
