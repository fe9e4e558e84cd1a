"""How a plan stands, as an object for JSON. Fields are added, never renamed."""

from __future__ import annotations

from typing import Any

from console.bringup.fold import BringupState


def as_object(state: BringupState) -> dict[str, Any]:
    """The plan for JSON. Times in seconds and minutes, chances from 0 to 1."""
    return {
        "board": state.board,
        "revision": state.revision,
        "file": state.file,
        "digest": state.digest,
        "serial": state.serial,
        "outcome": None if state.outcome is None else state.outcome.value,
        "current": state.current or None,
        "stopped_at": state.stopped_at or None,
        "stages": [
            {
                "id": one.id,
                "kind": one.work,
                "title": one.title,
                "after": list(one.after),
                "state": one.state.value,
                "outcome": None if one.outcome is None else one.outcome.value,
                "found": one.found,
                "off": one.off,
                "runs": one.runs,
                "elapsed_s": one.elapsed_s,
                "limits": one.limits,
            }
            for one in state.stages
        ],
        "suspects": [
            {
                "key": one.key,
                "part": one.part,
                "pins": list(one.pins),
                "title": one.title,
                "probability": one.probability,
                "minutes": one.minutes,
                "why": list(one.why),
                "look": one.look,
                "caution": one.caution,
                "cleared": one.cleared,
            }
            for one in state.suspects
        ],
        "before_look": state.before if state.suspects and state.before else None,
        "suspect_notes": list(state.notes if state.suspects else ()),
        "other": state.other,
        "repairs": [
            {
                "key": one.key,
                "title": one.title,
                "stage": one.stage,
                "t_s": one.t_s,
                "part": one.part,
                "pins": list(one.pins),
            }
            for one in state.repairs
        ],
    }
