"""Why one frame was kept or rejected, as values with types, made from session.json alone."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from subgrade.results.quantities import decided, evidence_words


@dataclass(frozen=True, slots=True)
class WeighedNumber:
    """One number that was weighed in judging a frame.

    Attributes
    ----------
    reason : str
        The word it counts for or against.
    quantity : str
        Its name in session.json, one of those in docs/verdicts.md.
    label : str
        The same as a person calls it.
    value, typical, error, limit : float
        The frame's own, that of its group, one standard error, and the limit; NaN where there is
        none.
    unit : str
        Of all four; empty for a plain number.
    points : float
        Log odds: above 0 it supports the reason, below it counts against it.
    clue : bool
        Whether it helps to name the cause; else it says how bad the frame is.
    """

    reason: str
    quantity: str
    label: str
    value: float
    typical: float
    error: float
    limit: float
    unit: str
    points: float
    clue: bool


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why one frame was kept or rejected.

    Attributes
    ----------
    frame : str
        As in summary.csv.
    path : Path
        Where it was when it was graded.
    verdict : str
        ``keep``, ``reject`` or ``unreadable``.
    reasons : tuple of str
        The strongest first; on a kept frame remarks.
    sentence : str
        The numbers that decided.
    confidence, cause_confidence : float
        Of the verdict and of the first reason, 0 to 1; NaN where there is none.
    weight : float
        In the stack; 0 for a reject.
    shares : mapping of str to mapping of str to float
        Of each reason that had rivals: the probability of every cause weighed for it.
    evidence : tuple of WeighedNumber
        The numbers that decided first, then what else was weighed for the reasons given, then the
        rest; within each what counts most.
    notes : tuple of str
        What reading and measuring remarked on.
    record : mapping
        All that session.json holds of the frame, as ``subgrade explain --json`` prints it.
    """

    frame: str
    path: Path
    verdict: str
    reasons: tuple[str, ...]
    sentence: str
    confidence: float
    cause_confidence: float
    weight: float
    shares: Mapping[str, Mapping[str, float]]
    evidence: tuple[WeighedNumber, ...]
    notes: tuple[str, ...]
    record: Mapping[str, Any] = field(repr=False)

    def __str__(self) -> str:
        reasons = f" ({', '.join(self.reasons)})" if self.reasons else ""
        return f"{self.frame}: {self.verdict}{reasons}\n{self.sentence}"


def explanation(record: Mapping[str, Any]) -> Explanation:
    """The record of one frame in session.json as an `Explanation`."""
    values = record["values"]
    reasons = tuple(word for word in (values["reasons"] or "").split(";") if word)

    def order(item: dict[str, Any]) -> tuple[bool, bool, float]:
        return not decided(item, reasons), item["reason"] not in reasons, -abs(item["points"])

    return Explanation(
        frame=values["frame"],
        path=Path(record["path"]),
        verdict=values["verdict"],
        reasons=reasons,
        sentence=values["explanation"] or "",
        confidence=number(values["confidence"]),
        cause_confidence=number(values.get("cause_confidence")),
        weight=values["weight"] or 0.0,
        shares=record.get("shares", {}),
        evidence=tuple(map(_weighed, sorted(record["evidence"], key=order))),
        notes=tuple(record["notes"]),
        record=record,
    )


def _weighed(item: dict[str, Any]) -> WeighedNumber:
    return WeighedNumber(
        reason=item["reason"],
        quantity=item["quantity"],
        label=evidence_words(item),
        value=number(item["value"]),
        typical=number(item["usual"]),
        error=number(item["error"]),
        limit=number(item["limit"]),
        unit=item["unit"],
        points=item["points"],
        clue=bool(item.get("clue")),
    )


def number(value: float | None) -> float:
    """NaN for what JSON has null for."""
    return math.nan if value is None else float(value)
