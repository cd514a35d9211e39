"""The registries of evidence and of reason words: one place each, and every entry in use."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

import subgrade
from subgrade.judging import features, reasons
from subgrade.judging.evidence import evidence
from subgrade.judging.features import FEATURES, Feature, register

MODULES = {
    path: ast.parse(path.read_text(encoding="utf-8"))
    for path in Path(subgrade.__file__).parent.rglob("*.py")
    if path.name not in ("features.py", "reasons.py")
}
CONSTANTS = {name: f for name, f in vars(features).items() if isinstance(f, Feature)}


def names_from(module: str) -> set[str]:
    """Names that the rest of the package imports from a module and then uses."""
    found = set()
    for tree in MODULES.values():
        imported = {
            alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and node.module == module
            for alias in node.names
        }
        found |= imported & {n.id for n in ast.walk(tree) if isinstance(n, ast.Name)}
    return found


def test_every_number_of_evidence_is_used():
    used = names_from("subgrade.judging.features")
    assert set(CONSTANTS) | {"DAMAGE"} <= used
    assert {*CONSTANTS.values(), *features.DAMAGE.values()} == set(FEATURES.values())


def test_every_kind_of_damage_has_its_number():
    made = {
        node.args[0].value
        for path, tree in MODULES.items()
        if path.parent.name == "stars"
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and getattr(node.func, "id", "") == "Flaw"
        and isinstance(node.args[0], ast.Constant)
    }
    assert len(made) > 4
    assert set(features.DAMAGE) >= made


def test_labels_are_short_distinct_and_no_column_names():
    labels = [f.label for f in FEATURES.values()]
    assert len(set(labels)) == len(labels)
    # the room that the table of `explain` has on a terminal of 80 columns
    assert max(map(len, labels)) <= 31
    assert not any("_" in label for label in labels)
    assert all(f.meaning and not f.meaning.endswith(".") for f in FEATURES.values())


def test_a_number_that_is_not_registered_cannot_be_made():
    with pytest.raises(ImportError):
        exec("from subgrade.judging.features import ECCENTRICTY")
    with pytest.raises(ValueError, match="no registered number"):
        evidence("bump", Feature("eccentricty"), 1.0, "")
    with pytest.raises(ValueError, match="bmup"):
        evidence("bmup", features.ECCENTRICITY, 1.0, "")
    for name, label in (("eccentricity", "other"), ("other", "FWHM")):
        with pytest.raises(ValueError, match="already"):
            register(name, "twice", features.IMAGE, label=label)
    assert "other" not in FEATURES


def test_no_name_of_evidence_stands_in_the_code_again():
    names = {n for n in FEATURES if " " in n}
    again = {
        (path.name, node.value)
        for path, tree in MODULES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and node.value in names
    }
    # a name in files of limits, a number of the diagnosis, and a form of the stars
    assert again <= {
        ("dials.py", "light out of the core"),
        ("star_numbers.py", "second image"),
    }


def test_every_trait_of_a_reason_word_is_used():
    traits = {
        name
        for name, words in vars(reasons).items()
        if name.isupper() and isinstance(words, tuple) and name != "_ALL"
    }
    assert len(traits) == 4
    assert traits <= names_from("subgrade.judging.reasons")
    for name in traits:
        assert set(vars(reasons)[name]) <= set(reasons.REASONS)
