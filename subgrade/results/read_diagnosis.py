"""The diagnosis of a night read back from session.json."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields
from typing import Any, TypeVar

from subgrade.diagnosis.model import Advice, Diagnosis, Loss, NightFinding, Quantity, Span

Read = TypeVar("Read")

INSIDE: dict[type, dict[str, type]] = {
    Diagnosis: {
        "typical": Quantity,
        "losses": Loss,
        "findings": NightFinding,
        "advice": Advice,
        "pole": Quantity,
    },
    NightFinding: {"numbers": Quantity, "spans": Span, "advice": Advice},
    Loss: {"spans": Span},
}
"""Fields that are tuples of values of a kind."""


def read_diagnosis(record: Mapping[str, Any] | None) -> Diagnosis | None:
    """The diagnosis that session.json holds; None where it holds none."""
    return None if record is None else read(Diagnosis, record)


def read(kind: type[Read], record: Mapping[str, Any]) -> Read:
    """A value of a kind; what only another version knows of is passed over."""
    inside = INSIDE.get(kind, {})
    known: dict[str, Any] = {}
    for field in fields(kind):  # type: ignore[arg-type]
        if field.name not in record:
            continue
        value = record[field.name]
        if field.name in inside:
            value = tuple(read(inside[field.name], part) for part in value)
        elif isinstance(value, list):
            value = tuple(value)
        elif value is None and field.type == "float":
            value = math.nan
        known[field.name] = value
    return kind(**known)
