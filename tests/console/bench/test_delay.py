"""Waiting for a processor, as the kernel counts it."""

from __future__ import annotations

import pytest

from console.bench import delay
from console.bench.delay import RunDelay


@pytest.mark.parametrize(
    ("text", "seconds"),
    # Linux, Documentation/scheduler/sched-stats.rst: the second number is the nanoseconds spent waiting
    [("998001 2500000000 2\n", 2.5), ("", 0.0), ("1\n", 0.0), ("a b c\n", 0.0)],
)
def test_the_second_number_is_the_wait(
    text: str, seconds: float, tmp_path: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = f"{tmp_path}/schedstat"
    monkeypatch.setattr(delay, "_FILE", file)
    monkeypatch.setattr(delay.sys, "platform", "linux")
    with open(file, "w", encoding="ascii") as stream:
        stream.write(text)
    run_delay = RunDelay()
    assert run_delay.since_s() == seconds
    run_delay.mark()
    assert run_delay.since_s() == 0.0
    run_delay.close()
    run_delay.close()
    assert run_delay.since_s() == 0.0


def test_without_the_file_nothing_is_told(tmp_path: object, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delay, "_FILE", f"{tmp_path}/none")
    run_delay = RunDelay()
    run_delay.mark()
    assert run_delay.since_s() == 0.0
