"""The table of causes and checks, loaded from `catalogue.toml` and checked before anything relies on it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Final, NoReturn

from console.causes.observation import EXTRA_CODES, TABLE_CODES
from console.errors import InputTrouble

FILE: Final = "catalogue.toml"
OTHER: Final = "something-else"
OTHER_TITLE: Final = "none of the known causes"


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that can be wrong. `likelihood` maps observation codes to P(code | cause)."""

    id: str
    number: str
    title: str
    prior: float
    likelihood: Mapping[str, float]
    reason: str
    provenance: str


@dataclass(frozen=True, slots=True)
class Check:
    """One thing a person can do. `outcomes` maps an outcome to P(outcome | cause) by cause id, "default" for the rest.

    `minutes` on one hand-held board; `risk` 0 none, 1 a slip of a probe, 2 can damage the board, 3 can hurt.
    """

    id: str
    title: str
    minutes: float
    risk: int
    caution_id: str
    caution: str | None
    why: str
    confirms: tuple[str, ...]
    rules_out: tuple[str, ...]
    implied_by: frozenset[str]
    after: tuple[str, ...]
    needs: str
    same_question: str
    action: str | None
    outcomes: Mapping[str, Mapping[str, float]]


@dataclass(frozen=True, slots=True)
class Catalogue:
    """All causes and checks by id, in the file's order."""

    causes: Mapping[str, Cause]
    checks: Mapping[str, Check]
    other_prior: float
    other_answer: float

    def title(self, cause_id: str) -> str:
        """The words for a cause."""
        return OTHER_TITLE if cause_id == OTHER else self.causes[cause_id].title

    def priors(self, something_else: bool = True) -> dict[str, float]:
        """Prior weights; "something else" only where asked for."""
        out = {cause.id: cause.prior for cause in self.causes.values()}
        return out | {OTHER: self.other_prior} if something_else else out

    def likelihood(self, code: str) -> dict[str, float]:
        """P(code | cause) for every cause and "something else". Raises KeyError for an unknown code."""
        flat = 1 / len(TABLE_CODES) if code in TABLE_CODES else self.other_answer
        return {cause.id: cause.likelihood[code] for cause in self.causes.values()} | {OTHER: flat}

    def outcome(self, check_id: str, outcome: str) -> dict[str, float] | None:
        """P(outcome | cause) of a check, or None where the catalogue gives no numbers for it."""
        check = self.checks.get(check_id)
        table = check.outcomes.get(outcome) if check else None
        if table is None or check is None:
            return None
        flat = 1 / len(check.outcomes)
        return {cause: table.get(cause, table["default"]) for cause in self.causes} | {OTHER: flat}


@cache
def catalogue() -> Catalogue:
    """The packaged catalogue, loaded once. Raises InputTrouble."""
    return parse(resources.files("console.causes").joinpath(FILE).read_text(encoding="utf-8"))


def parse(text: str, file: str = FILE) -> Catalogue:
    """A catalogue from TOML text. Raises InputTrouble that names file, key, what was found and what would be right."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputTrouble(
            "catalogue", f"not TOML: {error}", where=file, help="repair the line that is named"
        ) from error
    top = _Table(file, "", data)
    if top.texts("columns") != TABLE_CODES:
        top.wrong("columns", data.get("columns"), f"exactly {list(TABLE_CODES)}")
    if top.texts("answer_columns") != EXTRA_CODES:
        top.wrong("answer_columns", data.get("answer_columns"), f"exactly {list(EXTRA_CODES)}")
    raw_weights = top.table("weights")
    weights = {letter: raw_weights.number(letter, 0, 1) for letter in raw_weights.data}
    causes: dict[str, Cause] = {}
    for entry in top.tables("cause"):
        cause = _cause(entry, weights)
        if cause.id in causes:
            entry.wrong("id", cause.id, "an id that is used once")
        causes[cause.id] = cause
    checks: dict[str, Check] = {}
    for entry in top.tables("check"):
        check = _check(entry, causes)
        if check.id in checks:
            entry.wrong("id", check.id, "an id that is used once")
        checks[check.id] = check
    for check in checks.values():
        for earlier in check.after:
            if earlier not in checks:
                top.wrong(f"check {check.id}.after", earlier, "the id of a check")
    letter = top.text("other_answer_letter")
    if letter not in weights:
        top.wrong("other_answer_letter", letter, f"one of {sorted(weights)}")
    return Catalogue(causes, checks, top.number("other_prior", 0, 1), weights[letter])


def _cause(entry: _Table, weights: Mapping[str, float]) -> Cause:
    row = _letters(entry, "row", len(TABLE_CODES), weights)
    answers = _letters(entry, "answers", len(EXTRA_CODES), weights)
    total = sum(row)
    return Cause(
        id=entry.text("id"),
        number=entry.text("number"),
        title=entry.text("title"),
        prior=entry.number("prior", 0, 1),
        likelihood=dict(zip(TABLE_CODES, (weight / total for weight in row), strict=True))
        | dict(zip(EXTRA_CODES, answers, strict=True)),
        reason=entry.text("reason"),
        provenance=entry.text("provenance"),
    )


def _check(entry: _Table, causes: Mapping[str, Cause]) -> Check:
    for key in ("confirms", "rules_out"):
        for cause in entry.texts(key):
            if cause not in causes:
                entry.wrong(key, cause, "the id of a cause")
    for code in entry.texts("implied_by"):
        if code not in TABLE_CODES + EXTRA_CODES:
            entry.wrong("implied_by", code, "an observation code")
    risk = entry.data.get("risk")
    if type(risk) is not int or not 0 <= risk <= 3:
        entry.wrong("risk", risk, "a whole number from 0 to 3")
    outcomes: dict[str, Mapping[str, float]] = {}
    if "outcomes" in entry.data:
        for name in entry.table("outcomes").data:
            table = entry.table("outcomes").table(name)
            table.number("default", 0, 1)
            for key in table.data:
                if key != "default" and key not in causes:
                    table.wrong(key, key, "the id of a cause")
            outcomes[name] = {key: table.number(key, 0, 1) for key in table.data}
    return Check(
        id=entry.text("id"),
        title=entry.text("title"),
        minutes=entry.number("minutes", 0, 600),
        risk=risk,
        caution_id=entry.text("caution_id") if "caution_id" in entry.data else "",
        caution=entry.text("caution") if "caution" in entry.data else None,
        why=entry.text("why"),
        confirms=entry.texts("confirms"),
        rules_out=entry.texts("rules_out"),
        implied_by=frozenset(entry.texts("implied_by")),
        after=entry.texts("after") if "after" in entry.data else (),
        needs=entry.text("needs") if "needs" in entry.data else "",
        same_question=entry.text("same_question") if "same_question" in entry.data else "",
        action=entry.text("action") if "action" in entry.data else None,
        outcomes=outcomes,
    )


def _letters(entry: _Table, key: str, count: int, weights: Mapping[str, float]) -> list[float]:
    letters = entry.text(key)
    if len(letters) != count or any(letter not in weights for letter in letters):
        entry.wrong(key, letters, f"{count} letters out of {''.join(weights)}")
    return [weights[letter] for letter in letters]


@dataclass(frozen=True, slots=True)
class _Table:
    """A TOML table that knows where it stands, for messages."""

    file: str
    path: str
    data: Mapping[str, Any]

    def wrong(self, key: str, found: object, right: str) -> NoReturn:
        where = f"{self.path}.{key}" if self.path else key
        raise InputTrouble(
            "catalogue", f"{where}: found {found!r}", where=f"{self.file}, {where}", help=f"write {right}"
        )

    def text(self, key: str) -> str:
        value = self.data.get(key)
        if not isinstance(value, str) or not value:
            self.wrong(key, value, "a text that is not empty")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        value = self.data.get(key)
        if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
            self.wrong(key, value, "a list of texts")
        return tuple(value)

    def number(self, key: str, above: float, upto: float) -> float:
        value = self.data.get(key)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not above < value <= upto:
            self.wrong(key, value, f"a number above {above:g} and up to {upto:g}")
        return float(value)

    def table(self, key: str) -> _Table:
        value = self.data.get(key)
        if not isinstance(value, dict):
            self.wrong(key, value, "a table")
        return _Table(self.file, f"{self.path}.{key}" if self.path else key, value)

    def tables(self, key: str) -> list[_Table]:
        value = self.data.get(key)
        if not isinstance(value, list) or not value or not all(isinstance(item, dict) for item in value):
            self.wrong(key, value, f"at least one [[{key}]]")
        return [_Table(self.file, f"{key} {item.get('id', number)}", item) for number, item in enumerate(value, 1)]
