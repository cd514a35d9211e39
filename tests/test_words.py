"""No retired word reaches a person: screens, page, tables, help, docs, and what the code holds.

The words are those that one program's captions could be known by, and paraphrases of terms the
trade has a word for; "common practice, no source" for each.  What the reader of guiding records
recognises in a file stays as broad as it is, so its patterns are left out here.
"""

from __future__ import annotations

import ast
import io
import json
import re
import tokenize
from pathlib import Path

import pytest
from click.testing import CliRunner

from subgrade.cli import COMMANDS, cli

ROOT = Path(__file__).resolve().parents[1]

RETIRED = {
    # captions and counts of one program
    r"aggressive(?:ness)?": "correction strength",
    r"\block (?:point|position)s?|\block (?:was )?(?:moved|set)": "reference position",
    r"search (?:box|region)": "area searched for the guide star",
    r"least move|min(?:imum)? move": "smallest correction sent",
    r"stars? lost\b": "guide star missing",
    r"(?-i:Light Frame)": "light, or OBJECT in OBSTYPE",
    # paraphrases of common terms
    r"worm swing|worm's (?:slow )?swing": "periodic error",
    r"sw[iau]ng(?:s|ing)? (?:to and fro|in right ascension)": "RA oscillation",
    r"creep(?:s|ing)? in declination|crept in declination": "Dec drift",
    r"moved apart": "differential flexure",
    r"unsteady air|air was unsteady": "poor seeing",
    r"tracking lost": "lost tracking",
    r"sky far too bright": "bright sky",
    r"knocked by wind": "wind",
    r"speaks? (?:of|for|against)|spoke (?:of|for|against)": "points to, supports, counts against",
    r"further pieces?": "more measurements",
    r"the guider saw|guider did not see": "explained by guiding",
    r"reversal of the error": "sample-to-sample reversal",
    r"light beyond the core": "light outside the core",
    r"spread over the quarters": "unevenness across the frame",
    r"\bcalm\b": "quiet stretches",
    r"motion it shows": "motion inferred from the star shape",
    r"spoil\w*": "what went wrong; affected, lost",
    r"least sure|how sure|\(sure\b": "confidence",
    r"take away": "clear the mark",
    r"turns? a mark round": "a mark that disagrees",
    r"how often the trade meets": "how common the case is",
    r"\busual(?:ly)?\b": "typical, median",
    r"frames in a row alike|one of 1 frame in a row": "consecutive frames alike",
    r"only pick the worst": "nothing: it is wrong where all were rejected",
    r"\btold\b|\bsaid\b": "stated, shown, distinguished",
}
IN_CODE = (r"(?<![a-z])told(?![a-z])", r"(?<![a-z])said(?![a-z])", "aggressive", "guider saw")
"""What leaves identifiers, docstrings and comments as well."""
RECOGNISED = ("record/running_text.py", "record/titles.py")
"""Modules whose texts are patterns for what stands in other people's files."""


def shown_in(text: str, patterns=RETIRED):
    return [
        (match.group(0), instead)
        for pattern, instead in patterns.items()
        for match in re.finditer(pattern, text, re.IGNORECASE)
    ]


def strings(path: Path) -> list[tuple[int, str]]:
    """The string constants of a module that are no docstrings and hold a space: sentences."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = set()
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        for statement in body if isinstance(body, list) else []:
            if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
                skipped.add(id(statement.value))
    return [
        (node.lineno, node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in skipped
        and " " in node.value.strip()
    ]


MODULES = sorted((ROOT / "subgrade").rglob("*.py"))
TEXTS = sorted(
    [
        *ROOT.glob("*.md"),
        *(ROOT / "docs").rglob("*.md"),
        ROOT / "demo_subs" / "README.md",
        *(ROOT / "subgrade").rglob("*.js"),
        *(ROOT / "subgrade").rglob("*.html"),
        *(ROOT / "subgrade").rglob("*.toml"),
        *(ROOT / "docs").rglob("*.svg"),
    ]
)


def prose(path: Path) -> str:
    """The text of a page or script without what only code reads."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".js":  # what a person reads of a script are its sentences
        quoted = re.findall(r'"[^"\n]* [^"\n]*"|`[^`\n]* [^`\n]*`', text)
        return "\n".join(re.sub(r"\$\{[^}]*\}", "", part) for part in quoted)
    if path.suffix == ".md":  # names of keys and attributes stay what they are
        text = re.sub(r"```python\n.*?```", "", text, flags=re.DOTALL)
        return re.sub(r"(?<!`)`[^`\n]+`(?!`)", "", text)
    return text.replace("&#160;", " ")


def named(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_sentences_of_the_code(path):
    if named(path).endswith(RECOGNISED):
        pytest.skip("patterns for other people's files")
    found = [(line, *hit) for line, text in strings(path) for hit in shown_in(text)]
    assert not found


@pytest.mark.parametrize("path", TEXTS, ids=named)
def test_pages_and_scripts(path):
    if path.name == "CHANGELOG.md":
        pytest.skip("keeps what older versions were called")
    assert not shown_in(prose(path))


@pytest.mark.parametrize("path", MODULES, ids=named)
def test_names_and_comments_of_the_code(path):
    if named(path).endswith(RECOGNISED):
        pytest.skip("patterns for other people's files")
    code = path.read_text(encoding="utf-8")
    found = [
        (token.start[0], match.group(0))
        for token in tokenize.generate_tokens(io.StringIO(code).readline)
        if token.type in (tokenize.NAME, tokenize.COMMENT, tokenize.STRING)
        for pattern in IN_CODE
        for match in re.finditer(pattern, token.string)
    ]
    assert not found


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_help(name):
    result = CliRunner().invoke(cli, [*filter(None, [name]), "--help"])
    assert result.exit_code == 0
    assert not shown_in(result.output)


@pytest.fixture(scope="module")
def night(tmp_path_factory, measure):
    """The demo night graded with its record, and what the terminal printed."""
    out = tmp_path_factory.mktemp("words") / "graded"
    demo = ROOT / "demo_subs"
    record = str(demo / "guiding.csv")
    result = CliRunner().invoke(
        cli, ["grade", str(demo), "--guide", record, "--out", str(out), "--workers", "1"]
    )
    assert result.exit_code == 0, result.output
    return out, result.output, record


@pytest.mark.slow
def test_screens_of_a_whole_night(night):
    out, printed, record = night
    runs = [["explain", str(out), f"light_{n:03d}", "--all"] for n in (5, 6, 9, 16, 24, 30)]
    runs += [["diagnose", str(out)], ["guide", record]]
    for run in runs:
        result = CliRunner().invoke(cli, run)
        assert result.exit_code == 0, result.output
        printed += result.output
    assert len(printed) > 10_000
    assert not shown_in(printed)


def test_files_of_a_whole_night(night):
    out, *_ = night
    for name in ("summary.csv", "summary.ecsv"):
        assert not shown_in((out / name).read_text(encoding="utf-8")), name
    values = []

    def collect(part):
        if isinstance(part, dict):
            list(map(collect, part.values()))
        elif isinstance(part, list):
            list(map(collect, part))
        elif isinstance(part, str) and " " in part:
            values.append(part)

    collect(json.loads((out / "session.json").read_text(encoding="utf-8")))
    assert values
    assert not shown_in("\n".join(values))
    page = (out / "report.html").read_text(encoding="utf-8").split("<body")[1]
    data = re.search(r"<script[^>]*json[^>]*>(.*?)</script>", page, re.DOTALL).group(1)
    values.clear()
    collect(json.loads(data))
    assert values
    # the scripts' own sentences are held against the list where they are written
    shown = re.sub(r"<(script|style).*?</\1>", "", page, flags=re.DOTALL)
    assert not shown_in("\n".join([shown, *values]))


def test_every_kind_of_text_is_looked_at():
    kinds = {path.suffix for path in TEXTS}
    assert kinds == {".md", ".js", ".html", ".toml", ".svg"}
    assert sum(len(strings(path)) for path in MODULES) > 500
    for name in RECOGNISED:  # an exception for a module that is gone hides another one
        assert any(named(path).endswith(name) for path in MODULES), name


def test_the_list_can_fail():
    assert shown_in("Lower the aggressiveness")
    assert shown_in("knocked by wind")
    assert not shown_in("RA oscillation, Dec drift and the share of the error that is corrected")
