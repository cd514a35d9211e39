"""What whoever installs, cites or packages it relies on: one version, extras, citation, typing."""

from __future__ import annotations

import re
import runpy
import subprocess
import sys
import tomllib
from importlib.util import find_spec
from pathlib import Path

import pytest
import yaml

import subgrade

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
EXTRAS = PROJECT["project"]["optional-dependencies"]
OF_DEVELOPERS = {"test", "docs"}


def test_the_version_stands_in_one_place():
    assert PROJECT["project"]["dynamic"] == ["version"]
    assert "version" not in PROJECT["project"]
    stated = PROJECT["tool"]["setuptools"]["dynamic"]["version"]
    assert stated == {"attr": "subgrade.__version__"}
    # PEP 440: a final version or a candidate of one
    assert re.fullmatch(r"\d+\.\d+\.\d+(rc\d+)?", subgrade.__version__)


def test_the_changelog_leads_with_the_version():
    text = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    first = re.search(r"^## (\S+)", text, re.MULTILINE)
    assert first[1] == subgrade.__version__.partition("rc")[0]
    parts = re.findall(r"^### (\w+)", text.split(f"## {first[1]}")[1].split("\n## ")[0], re.M)
    assert parts == ["Added", "Changed", "Fixed"]


def test_the_readme_lists_every_extra():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    listed = re.findall(
        r"^\| `(\w+)` \|", readme.split("| extra | for |")[1].split("\n\n")[0], re.M
    )
    assert set(listed) == set(EXTRAS) - OF_DEVELOPERS


def test_the_tests_install_every_extra():
    (own,) = (line for line in EXTRAS["test"] if line.startswith("subgrade["))
    named = set(re.search(r"\[(.*)\]", own)[1].split(","))
    assert named == set(EXTRAS) - {"test"}


def test_every_extra_has_a_use_that_a_release_tries():
    uses = runpy.run_path(str(ROOT / "tests" / "release" / "use_extra.py"))["USES"]
    assert set(EXTRAS) - OF_DEVELOPERS <= set(uses)


def test_the_tests_of_the_oldest_dependencies_are_there():
    listed = (ROOT / "tests" / "release" / "oldest.txt").read_text(encoding="utf-8").split()
    assert len(listed) > 8
    for path in listed:
        assert (ROOT / path).is_file(), path


def test_the_citation_has_what_its_format_asks_for():
    """Required keys and their kinds of the Citation File Format 1.2.0, from memory."""
    cited = yaml.safe_load((ROOT / "CITATION.cff").read_text(encoding="utf-8"))
    assert cited["cff-version"] == "1.2.0"
    assert all(isinstance(cited[key], str) for key in ("message", "title", "abstract"))
    assert cited["type"] in ("software", "dataset")
    assert cited["license"] == PROJECT["project"]["license"]
    assert cited["authors"] == PROJECT["project"]["authors"]
    assert cited["keywords"]
    assert len(set(cited["keywords"])) == len(cited["keywords"])


def test_the_package_states_that_it_is_typed():
    assert (Path(subgrade.__file__).parent / "py.typed").is_file()
    assert "py.typed" in PROJECT["tool"]["setuptools"]["package-data"]["subgrade"]


@pytest.mark.slow
@pytest.mark.skipif(find_spec("mypy") is None, reason="it comes with the extra [test]")
def test_a_wrong_use_is_found_by_its_types(tmp_path):
    """A check that finds nothing wrong in anything would let the typed example pass too."""
    (tmp_path / "wrong.py").write_text(
        "from subgrade.api import grade\n"
        'night = grade("lights", keep="80%")\n'
        "night.kept.frobnicate()\n"
        "night.advice[0].saves_s.upper()\n",
        encoding="utf-8",
    )
    command = [sys.executable, "-m", "mypy", "--strict", "--follow-imports=silent"]
    settings = [
        "--config-file",
        str(ROOT / "pyproject.toml"),
        "--cache-dir",
        str(tmp_path / "kept"),
    ]
    done = subprocess.run(
        [*command, *settings, str(tmp_path / "wrong.py")], cwd=ROOT, capture_output=True, text=True
    )
    assert done.returncode == 1
    assert re.findall(r"wrong.py:(\d): error", done.stdout) == ["2", "3", "4"]
