"""The layout of the package is a promise: data flows one way, and imports follow it.

Imports are read from the source with `ast`, those inside functions too.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import subgrade

PACKAGE = Path(subgrade.__file__).parent
STAGES = (
    "lights",
    "stars",
    "night",
    "record",
    "guiding",
    "judging",
    "teaching",
    "choosing",
    "diagnosis",
    "results",
    "report",
    "moving",
    "review",
    "season",
    "watching",
    "cli",
)
"""In the order data flows; a stage that does not exist yet may stand here."""
OPEN = {
    "",
    "criteria",
    "evidence",
    "features",
    "limits",
    "model",
    "motion",
    "reasons",
    "series",
    "stack_forecast",
    "weights",
}
"""What later stages may import of a stage: its public names, plain values and shared formulas."""
FREE = {
    "axes",
    "constants",
    "errors",
    "figures",
    "installed",
    "memo",
    "nearest_names",
    "regular_files",
    "optional_parts",
    "plaintext",
    "robust",
    "tomlfiles",
    "__init__",
}
"""Modules that every part may import."""
BESIDE = {
    "api": set(),
    "pipeline": {"cli", "held", "reopening", "api", "watching"},
    "held": {"pipeline", "watching"},
    "reopening": {"cli"},
    "measuring": {
        *("held", "pipeline", "reopening", "season", "verdicts", "worker_imports", "cluster"),
    },
    "verdicts": {"held", "pipeline", "reopening"},
    "settings": {
        *("pipeline", "api", "given_paths", "measuring", "reopening", "verdicts", "results"),
        *("season", "watching", "cli"),
    },
    "given_paths": {"pipeline", "cli"},
    "workers": {"pipeline", "reopening", "verdicts", "cluster"},
    "cluster": {"pipeline"},
    "processes": {"workers"},
    "worker_imports": {"processes"},
    "practice": {"cli"},
    "__main__": set(),
}
"""What stands beside the stages, and the only parts that may import it."""


def imports_of(source: str, module: str) -> set[str]:
    """Absolute dotted names of this package that a module's source imports or names.

    Parameters
    ----------
    source : str
    module : str
        Dotted name; that of a package ends in ``.__init__``.
    """
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = module.split(".")[: -node.level] if node.level else []
            origin = ".".join([*base, *([node.module] if node.module else [])])
            # ``from package import module`` reaches the module too
            modules = {f"{origin}.{alias.name}" for alias in node.names}
            found |= {name for name in modules if is_module(name)} or {origin}
        elif isinstance(node, ast.Constant) and re.fullmatch(r"subgrade(\.\w+)+", str(node.value)):
            found.add(node.value)  # a module named in a string is imported by name
    return {name for name in found if name.split(".")[0] == "subgrade"}


def is_module(name: str) -> bool:
    """Whether a dotted name is a module or package of this package."""
    place = PACKAGE.parent.joinpath(*name.split("."))
    return place.with_suffix(".py").is_file() or (place / "__init__.py").is_file()


def part_of(name: str) -> str:
    """``stars`` for ``subgrade.stars.moments``, ``__init__`` for the package itself."""
    return name.split(".")[1] if "." in name else "__init__"


def complaint(module: str, target: str) -> str | None:
    """Why a module may not import a target, or None where it may."""
    here, there = part_of(module), part_of(target)
    if here == there or there in FREE:
        return None
    if there in BESIDE:
        return None if here in BESIDE[there] else f"only {BESIDE[there]} may import {there}"
    if here == "practice":
        return "practice feeds the stages and must not lean on them"
    if here == "__main__":
        return None if there == "cli" else "it only starts the command line"
    if here in BESIDE:
        return None if there != "cli" else "the orchestrator must not know the command line"
    if here not in STAGES or there not in STAGES:
        return "a part that has no place in the order"
    if STAGES.index(there) > STAGES.index(here):
        return "a later stage"
    rest = ".".join(target.split(".")[2:])
    if here != "cli" and rest not in OPEN:
        return "the inside of another stage; import its values or public names"
    return None


def sources() -> dict[str, str]:
    """Every module's dotted name and source."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
        found[".".join(parts)] = path.read_text(encoding="utf-8")
    return found


SOURCES = sources()


def complaints(module: str, source: str) -> list[str]:
    """Everything wrong with a module's imports."""
    wrong = [(target, complaint(module, target)) for target in imports_of(source, module)]
    return sorted(f"{module} imports {target}: {why}" for target, why in wrong if why)


def test_imports_follow_the_flow():
    found = [line for module, source in SOURCES.items() for line in complaints(module, source)]
    assert not found, "\n".join(found)


def test_every_part_has_a_place():
    parts = {part_of(name) for name in SOURCES}
    assert parts <= {*STAGES, *FREE, *BESIDE}
    assert {"lights", "stars", "night", "record", "guiding", "results", "cli", "practice"} <= parts


def test_the_errors_stand_alone():
    assert imports_of(SOURCES["subgrade.errors"], "subgrade.errors") == set()


@pytest.mark.parametrize(
    ("module", "line"),
    [
        ("subgrade.lights.read_light", "from subgrade.stars.model import FrameStars"),
        ("subgrade.stars.measure", "import subgrade.night"),
        ("subgrade.stars.measure", "from subgrade import judging"),
        ("subgrade.stars.measure", "import_module('subgrade.judging.judge')"),
        ("subgrade.stars.measure", "from ..judging import judge_night"),
        ("subgrade.stars.__init__", "from ..judging import judge_night"),
        ("subgrade.record.read", "from subgrade.guiding.model import ClockFit"),
        ("subgrade.guiding.join", "from subgrade.record.rows import Rows"),
        ("subgrade.night.group", "def f():\n    from subgrade.results import write_results"),
        ("subgrade.judging.judge", "from subgrade.cli.summary import console"),
        ("subgrade.judging.judge", "from subgrade.stars.moments import adaptive_moments"),
        ("subgrade.results.write", "from subgrade.pipeline import grade"),
        ("subgrade.results.write", "from subgrade.report import write_report"),
        ("subgrade.report.page", "from subgrade.results.session import session_record"),
        ("subgrade.practice.render", "from subgrade.stars.ellipse import ellipse_from_moments"),
        ("subgrade.practice.render", "from subgrade.lights.model import HeaderFacts"),
        ("subgrade.stars.measure", "from subgrade.practice import render_frame"),
    ],
)
def test_an_import_against_the_flow_is_found(module, line):
    assert len(complaints(module, line)) == 1


@pytest.mark.parametrize(
    ("module", "line"),
    [
        ("subgrade.results.table", "from subgrade.stars.model import FrameStars"),
        ("subgrade.results.table", "from subgrade.judging import REASONS"),
        ("subgrade.stars.measure", "from .model import FrameStars"),
        ("subgrade.guiding.clock_fit", "from subgrade.record import calm_rms"),
        ("subgrade.lights.read_light", "from subgrade.errors import UnreadableFile"),
        ("subgrade.cli.explain", "from subgrade.figures import figure"),
    ],
)
def test_an_import_with_the_flow_is_let_pass(module, line):
    assert complaints(module, line) == []
