"""A diagnosis that went through session.json is the one that was made."""

from __future__ import annotations

import json
import re
from dataclasses import asdict, fields, is_dataclass

import pytest

from subgrade.diagnosis import model
from subgrade.diagnosis.model import Diagnosis, NightFinding, Quantity
from subgrade.results.read_diagnosis import INSIDE, read_diagnosis

KINDS = [kind for kind in vars(model).values() if isinstance(kind, type) and is_dataclass(kind)]


def test_the_numbers_of_the_polar_axis_come_back_as_quantities():
    size = Quantity("misalignment", 4.2, 0.3, "′")
    finding = NightFinding("polar alignment", "dec_drift", "", (size,))
    made = Diagnosis("", findings=(finding,), pole=(size,))
    assert read_diagnosis(json.loads(json.dumps(asdict(made)))) == made


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_every_field_of_many_values_of_a_kind_is_read_as_such(kind):
    names = {one.__name__: one for one in KINDS}
    inside = {}
    for field in fields(kind):
        of = re.match(r"tuple\[(\w+), \.\.\.\]", str(field.type))
        if of and of[1] in names:
            inside[field.name] = names[of[1]]
    assert INSIDE.get(kind, {}) == inside
