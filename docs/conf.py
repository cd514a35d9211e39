"""The pages and the reference of `subgrade.api` as one site: sphinx-build -W -n -c docs . OUT."""

import re
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

import subgrade  # noqa: E402

project = "subgrade"
author = "The subgrade developers"
version = release = subgrade.__version__
extensions = ["myst_parser", "numpydoc", "sphinx.ext.autodoc"]
root_doc = "docs/index"
include_patterns = [
    "README.md",
    "DEVELOPERS.md",
    "CHANGELOG.md",
    "demo_subs/README.md",
    "docs/**.md",
    "docs/reference.rst",
]
# what leads to a heading as readers of the bare pages follow it
myst_heading_anchors = 4
default_role = "py:obj"
html_theme = "basic"
# types stand in the docstrings; in signatures they would lead to other projects' sites
autodoc_typehints = "none"
numpydoc_show_class_members = False
nitpick_ignore = [("py:obj", "pathlib.Path")]


def _with_contents(app: object, name: str, source: list[str]) -> None:
    """Give the list of pages its tree: the table of index.md is the one list."""
    if name != root_doc:
        return
    listed = re.findall(r"^\| \[[^]]+\]\(([^)\s]+)\.md\)", source[0], re.MULTILINE)
    words = sorted(p.stem for p in (ROOT / "docs" / "reasons").glob("*.md") if p.stem != "index")
    pages = [f"/docs/{p}" if not p.startswith("../") else p.removeprefix("..") for p in listed]
    pages += [f"/docs/reasons/{word}" for word in words]
    pages += ["/demo_subs/README", "/CHANGELOG", "/docs/reference"]
    source[0] += "\n".join(["\n```{toctree}", ":hidden:", "", *pages, "```", ""])


def setup(app: object) -> None:
    """Called by sphinx."""
    app.connect("source-read", _with_contents)
