"""A snapshot as the JSON object that scripts rely on, and as text for a person."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from console.bringup.told import as_object as plan_object
from console.bringup.words import report_lines
from console.causes.catalogue import catalogue
from console.causes.contradictions import Contradiction
from console.causes.rank import NextCheck
from console.errors import Outcome, WakelineError
from console.programming.fold import Programming
from console.session.stage import StageResult
from console.snapshot import Finding, Problem, Snapshot, ended
from console.words import count_of, differing, percent, reason, seconds
from protocols.family import Identity

_FEW_CAUSES = 3
_FINDINGS = 12


def as_object(snapshot: Snapshot) -> dict[str, Any]:
    """The contract object. Fields are added, never renamed; probabilities 0..1, times in seconds, minutes as said."""
    snapshot = ended(snapshot)
    outcome = snapshot.outcome or Outcome.NO_ANSWER
    return {
        "outcome": outcome.value,
        "port": snapshot.port,
        "settings": dict(snapshot.settings),
        "target": _target(snapshot.identity, snapshot.unique_id),
        "stages": [_stage(stage) for stage in snapshot.stages],
        "observations": [{"id": seen.id, "text": seen.text, "count": seen.count} for seen in snapshot.observations],
        "causes": [
            {"id": c.id, "title": c.title, "probability": round(c.probability, 4), "why": list(c.why)}
            for c in snapshot.causes
        ],
        "next_check": None
        if snapshot.next_check is None
        else {
            "id": snapshot.next_check.id,
            "title": snapshot.next_check.title,
            "minutes": snapshot.next_check.minutes,
            "caution": snapshot.next_check.caution,
            "why": snapshot.next_check.why,
            "expected_minutes": snapshot.next_check.expected_minutes,
            "answers": [{"answer": answer, "means": means} for answer, means in snapshot.next_check.answers],
            "reading": None if snapshot.next_check.scale is None else snapshot.next_check.scale.unit,
        },
        "contradictions": [{"first": clash.first, "second": clash.second} for clash in snapshot.contradictions],
        "wires": [
            {"id": w.id, "adapter": w.adapter_end, "board": w.board_end, "state": w.state, "why": w.why}
            for w in snapshot.wires
        ],
        "attempts": snapshot.attempt,
        "findings": [
            {"test": found.test, "message": found.message, **dict(found.values)} for found in snapshot.findings
        ],
        "notes": list(snapshot.notes),
        "error": None if snapshot.problem is None else _problem(snapshot.problem),
        # only where memory was read or changed, or a plan was followed, so that what a handshake says stays as it is
        **({} if snapshot.programming is None else {"programming": asdict(snapshot.programming)}),
        **({} if snapshot.bringup is None else {"bringup": plan_object(snapshot.bringup)}),
    }


def error_object(error: WakelineError, port: str | None = None) -> dict[str, Any]:
    """The contract object of a run that ended before there was anything to fold."""
    return {
        "outcome": error.outcome.value,
        "port": port,
        "settings": {},
        "target": None,
        "stages": [],
        "observations": [],
        "causes": [],
        "next_check": None,
        "error": {"code": error.code, "message": error.message, "help": error.help},
    }


def dumps(value: object) -> str:
    """One JSON object as text, pure ASCII so that no terminal sees a foreign character."""
    return json.dumps(value, indent=2, ensure_ascii=True)


def verdict_lines(snapshot: Snapshot) -> list[str]:
    """The end of a text run: stages, target or causes, next check."""
    snapshot = ended(snapshot)
    out = ["", *stage_lines(snapshot), "", *target_lines(snapshot), *proof_lines(snapshot.programming)]
    if snapshot.problem is not None:
        out.append(f"{snapshot.problem.code}: {snapshot.problem.message}")
    if snapshot.bringup is not None:
        out += ["", *report_lines(snapshot.bringup), ""]
    return out + cause_lines(snapshot)


def stage_lines(snapshot: Snapshot) -> list[str]:
    """The stages of the present attempt as a table."""
    head = "stage        outcome     elapsed      wire      chip      host     out      in"
    return [head, *(_stage_line(stage) for stage in snapshot.stages if stage.attempt == snapshot.attempt)]


def target_lines(snapshot: Snapshot) -> list[str]:
    """What the target said about itself."""
    out = [] if snapshot.identity is None else _identity_lines(snapshot.identity)
    return [*out, f"unique id {snapshot.unique_id}"] if snapshot.unique_id else out


def proof_lines(state: Programming | None) -> list[str]:
    """What is known of the chip's memory at the end of a programming run; nothing where none was begun."""
    if state is None or not state.planned:
        return []
    how = "reading back"
    if state.by_checksum:
        how = f"the chip's own checksum ({count_of(state.by_checksum, 'byte')}) and reading back the rest"
    again = []
    if state.repeated or state.repaired:
        again = [f"repeated on the way: {state.repeated}; erased and written a second time: {state.repaired}"]
    if not state.ended:  # what came after the last mark is in the bytes, and nobody has said that it was right
        how += ", at least"
    proven = f"proven by {how}: {state.proven or 'nothing'}"
    if state.task == "read":  # nothing says what it should be
        done = (
            f"done, in two readings that agree: {state.proven}"
            if state.complete
            else "not complete; no file was written"
        )
        return [f"read: {done}", *again]
    if state.task == "compare" and state.complete:
        return [f"compare: no difference; {proven}", *again]
    if state.complete and not (state.to_write or state.to_erase):
        return [f"{state.task}: nothing had to be changed; {proven}", *again]
    if state.complete:
        return [f"{state.task}: done and {proven}", *again]
    if state.differing_places:
        words = differing(state.differing_bytes, state.differing_places)
        return [f"{state.task}: everything was read; {words}", f"  {proven}", *again]
    return [
        f"{state.task}: not complete",
        f"  {proven}",
        *([f"  written, not read back: {state.written}"] if state.written else []),
        *([f"  erased: {state.erased}"] if state.erased else []),
        *([f"  written half: {state.unsure}"] if state.unsure else []),
        *again,
    ]


def cause_lines(snapshot: Snapshot) -> list[str]:
    """What was seen, what is most likely behind it, and the next check."""
    out = [f"found by {found.test}: {found.message}" for found in _latest(snapshot.findings)]
    if snapshot.observations:
        out.append("seen: " + "; ".join(seen.text for seen in snapshot.observations))
    if snapshot.causes:
        out.append("what it was:" if snapshot.outcome is Outcome.OK and not snapshot.test else "most likely:")
        for cause in snapshot.causes[:_FEW_CAUSES]:
            out.append(f"  {percent(cause.probability):>4}  {cause.title}  [{cause.id}]")
            out += [f"        {reason(why)}" for why in cause.why]
    out += [f"these hardly go together: {text}" for text in map(clash_text, snapshot.contradictions)]
    if snapshot.next_check is not None:
        check = snapshot.next_check
        out.append(f"next {'repair' if check.repair else 'check'}: {check.id} {check.title} ({cost_text(check)})")
        if check.why:
            out.append(f"        {check.why}")
        if check.scale is not None:
            out.append(f"        tell the {check.scale.quantity} in {check.scale.unit}, or the outcome")
        out += [f"        {answer}: {means}" for answer, means in check.answers]
        if check.caution:
            out.append(f"  caution: {check.caution}")
        if outlook_text(check):
            out.append(f"        {outlook_text(check)}")
    elif snapshot.problem is not None:
        out.append(f"next: {snapshot.problem.help}")
    return out


def step_lines(snapshot: Snapshot, attempted: bool) -> list[str]:
    """What the operator's loop shows after an attempt, or after an answer that led to none."""
    return verdict_lines(snapshot) if attempted else ["", *cause_lines(snapshot)]


def _latest(findings: Sequence[Finding]) -> list[Finding]:
    """What the latest test found: its rates or settings one by one and its verdict; earlier ones are in the trace."""
    last = findings[-1].test if findings else ""
    own = len(findings) - next((n for n, found in enumerate(reversed(findings)) if found.test != last), len(findings))
    return list(findings[own:])[-_FINDINGS:]


def cost_text(check: NextCheck) -> str:
    """What a step takes."""
    return f"about {check.minutes:g} min"


def outlook_text(check: NextCheck) -> str:
    """What it is expected to take from here, and what that counts in; "" where nothing was reckoned."""
    if not check.expected_minutes:
        return ""
    return (
        f"on average {check.expected_minutes:.0f} min from here to a working board, the chance included that the cause "
        f"is none of the known ones and the board is given up ({catalogue().give_up_minutes:g} min)"
    )


def clash_text(clash: Contradiction) -> str:
    """Two answers that contradict each other, and what to do."""
    return f"\u201c{clash.first}\u201d and \u201c{clash.second}\u201d: repeat the one that is easier to repeat"


def product_text(identity: Identity) -> str:
    """Product id and family names as one phrase."""
    if identity.product_id is None:
        return "not identified"
    names = " or ".join(identity.names) or "no known family"
    return f"0x{identity.product_id:03X} ({names})"


def loader_text(identity: Identity) -> str:
    """Which boot loader it is, as one phrase."""
    return f"version {identity.loader_version}, {count_of(len(identity.commands), 'command')}"


def _target(identity: Identity | None, unique_id: str) -> dict[str, Any] | None:
    if identity is None:
        return None
    return {
        "product_id": None if identity.product_id is None else f"0x{identity.product_id:03X}",
        "names": list(identity.names),
        "loader_version": identity.loader_version,
        "commands": list(identity.commands),
        "readout_protected": identity.readout_protected,
        "unique_id": unique_id or None,
    }


def _stage(stage: StageResult) -> dict[str, Any]:
    return {
        "name": stage.name,
        "attempt": stage.attempt,
        "outcome": stage.outcome.value if stage.outcome else "running",
        "started_s": stage.started_s,
        "elapsed_s": stage.elapsed_s,
        "wire_s": stage.wire_s,
        "chip_s": stage.chip_s,
        "host_s": stage.host_s,
        "bytes_out": stage.bytes_out,
        "bytes_in": stage.bytes_in,
    }


def _problem(problem: Problem) -> dict[str, str]:
    return {"code": problem.code, "message": problem.message, "help": problem.help}


def _stage_line(stage: StageResult) -> str:
    word = stage.outcome.value if stage.outcome else "running"
    times = "".join(f"{seconds(t):>10}" for t in (stage.elapsed_s, stage.wire_s, stage.chip_s, stage.host_s))
    return f"{stage.name:<12} {word:<9}{times}{stage.bytes_out:>8}{stage.bytes_in:>8}"


def _identity_lines(identity: Identity) -> list[str]:
    out = [f"target: product id {product_text(identity)}"] if identity.product_id is not None else []
    if identity.loader_version:
        out.append(f"boot loader {loader_text(identity)}")
    if identity.readout_protected:
        out.append(
            "readout protection is set: reading and writing are refused until it is removed, which erases the chip"
        )
    return out
