"""What a record must say of a port before its bytes: how it was asked for, and what opening it really gave. Pure."""

from __future__ import annotations

from console import __version__
from console.events import Value
from console.link.base import LinkSettings, OpenReport


def announcement(
    settings: LinkSettings, report: OpenReport | None, *, speaks: str, simulated: bool | None, retuned: bool
) -> dict[str, Value]:
    """Fields of the settings mark. `report` is None where opening failed; `simulated` where nobody knows."""
    fields: dict[str, Value] = {
        "port": settings.port,
        "baud": settings.baud,
        "frame": str(settings.frame),
        "family": speaks,
        "dtr": settings.dtr,
        "rts": settings.rts,
        "tool": f"wakeline {__version__}",
    }
    if report is not None:
        fields |= {
            "frame_in_use": str(report.frame_in_use),
            "line_errors": report.line_errors,
            "low_latency": report.low_latency,
            "opening_pulse": report.opening_pulse,
            "latency_s": report.latency_s,
        }
    if simulated is not None:
        fields["simulated"] = simulated
    if retuned:
        fields["retuned"] = True
    return fields
