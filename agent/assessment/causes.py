"""Probable causes of uneven coverage, ranked from evidence by the rules in `causes.toml`.

Each rule starts from the log-odds of its cause before anything is known and adds the weight of every clue
whose fact is known: `for` where the fact lies in its range, `against` where it does not. A weight is the
logarithm of a likelihood ratio, as in naive Bayes, in tenths of a power of ten (decibans): 10 makes a cause
ten times as probable against the others, -10 ten times less. The weights are then normalised to sum to one.
Clues are treated as if they did not depend on each other, which they do somewhat: weights rank, they are no
calibrated probabilities. The numbers are judgement, not measurement (common practice, no source).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Literal

from agent.assessment.causes_evidence import CELL_FACTS, GUN_FACTS, CellEvidence, GunEvidence, facts_of
from agent.contract.records import RankedCause

__all__ = ["CellEvidence", "Clue", "GunEvidence", "Rule", "own_rules", "rank_causes", "read_rules"]

TOLD = 0.02
"""Causes with less weight than this are not told."""
MOST_TOLD = 5


@dataclass(frozen=True, slots=True)
class Clue:
    """One fact and what it says of a cause."""

    fact: str
    above: float | None
    below: float | None
    weight_for: float
    """Decibans where the fact is above `above` and below `below`."""
    weight_against: float
    """Decibans (zero or negative) where it is not."""
    text: str
    """How the evidence is told; `{value}` is the fact, `{size}` its amount, `{gun}` the gun."""

    def holds(self, value: float) -> bool:
        """Whether the fact lies in the clue's range."""
        return (self.above is None or value > self.above) and (self.below is None or value < self.below)


@dataclass(frozen=True, slots=True)
class Rule:
    """One cause and its clues."""

    code: str
    scope: Literal["cell", "gun"]
    prior: float
    """Decibans before anything is known."""
    look_at: str
    clues: tuple[Clue, ...]
    first: str = ""
    """What to do before anybody turns a needle against it; empty where the needle is the remedy."""


def rank_causes(evidence: CellEvidence, rules: Sequence[Rule] | None = None) -> tuple[RankedCause, ...]:
    """The most probable causes, the most probable first; the weights of all rules sum to one.

    A rule about guns is held against each gun, and the gun it fits best is named. A rule that nothing speaks
    for is not told. Empty where nothing is known of any gun.
    """
    if not evidence.guns:
        return ()
    scored = [_best(rule, evidence) for rule in (own_rules() if rules is None else rules)]
    top = max(score for _, score, _, _ in scored)
    odds = [10 ** ((score - top) / 10) for _, score, _, _ in scored]
    ranked = sorted(zip(scored, odds, strict=True), key=lambda item: (-item[1], item[0][0].code))
    total = math.fsum(odds)
    told = [
        RankedCause(
            code=rule.code, weight=odd / total, evidence=texts, look_at=_said(rule.look_at, gun), gun=gun
        )
        for (rule, _, texts, gun), odd in ranked
        if texts and odd / total >= TOLD
    ]
    return tuple(told[:MOST_TOLD])


@dataclass(frozen=True, slots=True)
class MendFirst:
    """A cause that a needle must not be turned against."""

    what: str
    """What to do first."""
    code: str
    weight: float
    together: float
    """Weight of all such causes together."""


def mend_first(ranked: Sequence[RankedCause], gun: str) -> MendFirst | None:
    """The most probable of the ranked causes of this gun or its cell that must be mended, not compensated."""
    first = {rule.code: rule.first for rule in own_rules()}
    such = [cause for cause in ranked if first.get(cause.code) and cause.gun in (None, gun)]
    if not such:
        return None
    together = math.fsum(cause.weight for cause in such)
    return MendFirst(_said(first[such[0].code], gun), such[0].code, such[0].weight, together)


def read_rules(text: str) -> tuple[Rule, ...]:
    """The rules of a TOML text. Raises ValueError that names every fault, where it is and what is allowed."""
    try:
        tables = tomllib.loads(text).get("cause", [])
    except tomllib.TOMLDecodeError as fault:
        raise ValueError(f"the table of causes is no TOML: {fault}") from fault
    faults: list[str] = []
    rules = [_rule(table, number, faults) for number, table in enumerate(tables, start=1)]
    codes = [rule.code for rule in rules]
    faults += [
        f"cause {code!r} stands there twice" for code in sorted({c for c in codes if codes.count(c) > 1})
    ]
    if not rules:
        faults.append("there is no [[cause]] in the table")
    if faults:
        raise ValueError("the table of causes is wrong:\n" + "\n".join(faults))
    return tuple(rules)


@cache
def own_rules() -> tuple[Rule, ...]:
    """The rules that come with the agent: `causes.toml` in this folder."""
    return read_rules(resources.files("agent.assessment").joinpath("causes.toml").read_text("utf-8"))


def _best(rule: Rule, evidence: CellEvidence) -> tuple[Rule, float, tuple[str, ...], str | None]:
    if rule.scope == "cell":
        score, texts = _score(rule, facts_of(evidence, None), None)
        return rule, score, texts, None
    tried = [(*_score(rule, facts_of(evidence, gun), gun.gun), gun.gun) for gun in evidence.guns]
    score, texts, name = max(tried, key=lambda item: item[0])
    return rule, score, texts, name


def _score(rule: Rule, facts: Mapping[str, float], gun: str | None) -> tuple[float, tuple[str, ...]]:
    score, texts = rule.prior, []
    for clue in rule.clues:
        value = facts.get(clue.fact)
        if value is None:
            continue
        if clue.holds(value):
            score += clue.weight_for
            if clue.weight_for > 0:
                texts.append((clue.weight_for, _said(clue.text, gun, value)))
        else:
            score += clue.weight_against
    return score, tuple(text for _, text in sorted(texts, key=lambda item: -item[0]))


def _said(text: str, gun: str | None, value: float | None = None) -> str:
    said = text.replace("{gun}", gun or "")
    if value is None:
        return said
    return said.replace("{value}", f"{value:.3g}").replace("{size}", f"{abs(value):.3g}")


def _rule(table: Mapping[str, Any], number: int, faults: list[str]) -> Rule:
    code = str(table.get("code", ""))
    where = f"cause {code!r}" if code else f"cause number {number}"
    if not code:
        faults.append(f"{where}: `code` is missing")
    scope = table.get("scope", "cell")
    if scope not in {"cell", "gun"}:
        faults.append(f"{where}: `scope` is {scope!r}, allowed are cell and gun")
    if not table.get("look_at"):
        faults.append(f"{where}: `look_at` is missing")
    allowed = set(CELL_FACTS) | (set(GUN_FACTS) if scope == "gun" else set())
    clues = tuple(
        _clue(clue, f"{where}, clue {index}", allowed, faults)
        for index, clue in enumerate(table.get("clue", []), start=1)
    )
    if not clues:
        faults.append(f"{where}: it has no [[cause.clue]]")
    prior = _number(table, "prior", where, faults) or 0.0
    unknown = sorted(set(table) - {"code", "scope", "prior", "look_at", "first", "clue"})
    faults += [f"{where}: {name!r} is not known" for name in unknown]
    return Rule(code, scope, prior, str(table.get("look_at", "")), clues, str(table.get("first", "")))


def _clue(table: Mapping[str, Any], where: str, allowed: set[str], faults: list[str]) -> Clue:
    fact = str(table.get("fact", ""))
    if fact not in allowed:
        faults.append(f"{where}: fact {fact!r} is not known here, known are {', '.join(sorted(allowed))}")
    above, below = (_number(table, name, where, faults) for name in ("above", "below"))
    if above is None and below is None:
        faults.append(f"{where}: `above` or `below` is needed")
    weight_for = _number(table, "for", where, faults) or 0.0
    weight_against = _number(table, "against", where, faults) or 0.0
    if weight_against > 0:
        faults.append(f"{where}: `against` is {weight_against:g}, it must be zero or below")
    unknown = sorted(set(table) - {"fact", "above", "below", "for", "against", "text"})
    faults += [f"{where}: {name!r} is not known" for name in unknown]
    return Clue(fact, above, below, weight_for, weight_against, str(table.get("text", "")))


def _number(table: Mapping[str, Any], name: str, where: str, faults: list[str]) -> float | None:
    value = table.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        faults.append(f"{where}: `{name}` is {value!r}, a number is needed")
        return None
    return float(value)
