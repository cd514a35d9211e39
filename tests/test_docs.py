"""The pages say what the code does: words, columns, links, commands, pictures."""

from __future__ import annotations

import itertools
import re
import runpy
import shlex
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner
from markdown_it import MarkdownIt
from PIL import Image

from subgrade.cli import COMMANDS, cli
from subgrade.judging.reasons import REASONS
from subgrade.results.columns import COLUMNS
from subgrade.results.write import FILES

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted(
    [*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md"), ROOT / "demo_subs" / "README.md"]
)
README = (ROOT / "README.md").read_text(encoding="utf-8")


def page(name: str) -> str:
    return (ROOT / "docs" / name).read_text(encoding="utf-8")


def anchors(text: str) -> set[str]:
    """The link targets that headings make."""
    titles = re.findall(r"^#+ (.+)$", text, flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", title).strip().lower().replace(" ", "-") for title in titles}


@pytest.mark.parametrize("path", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(path):
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        place, _, anchor = target.partition("#")
        assert "://" not in place, f"{target}: the pages need no network"
        linked = (path.parent / place) if place else path
        assert linked.exists(), target
        if anchor:
            assert anchor in anchors(linked.read_text(encoding="utf-8")), target


def test_every_page_is_listed_once():
    listed = re.findall(r"^\| \[[^]]+\]\(([^)\s]+)\)", page("index.md"), re.MULTILINE)
    here = {p.name for p in (ROOT / "docs").glob("*.md")} - {"index.md"}
    assert here <= set(listed)
    assert sorted(set(listed)) == sorted(listed)


def test_every_page_is_reached_from_the_readme():
    reached, waiting = set(), [ROOT / "README.md"]
    while waiting:
        here = waiting.pop()
        if here in reached:
            continue
        reached.add(here)
        for target in re.findall(r"\]\(([^)\s#]+\.md)", here.read_text(encoding="utf-8")):
            waiting.append((here.parent / target).resolve())
    assert set(PAGES) - {ROOT / "CONTRIBUTING.md"} <= reached


@pytest.mark.parametrize("path", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_tables_are_whole(path):
    text = path.read_text(encoding="utf-8")
    rows = re.findall(r"^\|.*$", re.sub(r"```.*?```", "", text, flags=re.DOTALL), re.MULTILINE)
    tokens = MarkdownIt("commonmark").enable("table").parse(text)
    rendered = [t for t in tokens if t.type == "tr_open"]
    dividers = [r for r in rows if re.fullmatch(r"[|: ]*-[|:\- ]*", r)]
    assert len(rendered) == len(rows) - len(dividers)
    for first, after in itertools.pairwise(re.sub(r"`[^`]*`", "", text).splitlines()):
        if first.startswith("|") and after.startswith("|"):
            assert first.replace("\\|", "").count("|") == after.replace("\\|", "").count("|"), after


TABLES = runpy.run_path(str(ROOT / "docs" / "make_tables.py"))


@pytest.mark.parametrize("name", TABLES["MADE"])
def test_the_tables_on_the_pages_are_those_that_the_code_makes(name):
    """After a change of columns, evidence or words: python docs/make_tables.py."""
    assert TABLES["renewed"](name, page(name)) == page(name)


def test_a_page_that_differs_from_the_code_is_found():
    text = page("columns.md")
    for old in ("median sky level", "| adu |".upper(), "King 1983"):
        other = text.replace(old, "something else")
        assert other != text
        assert TABLES["renewed"]("columns.md", other) == text
    with pytest.raises(ValueError, match="marks"):
        TABLES["renewed"]("columns.md", text.replace("made: formulas", "made: formulae"))


def test_the_developers_table_of_where_to_change_what_names_files_that_are_there():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("## Where to change what")[1].split("\n## ")[0]
    rows = [row.split(" | ") for row in table.splitlines() if row.startswith("| ")][1:]
    assert len(rows) >= 10
    for _, files, tests, pages in rows:
        named = re.findall(r"`([^`]+)`", files)
        folder = Path("subgrade") / named[0].split("/")[0]
        if named[0].isupper():  # a name in a file that is named behind it
            folder = Path("subgrade") / next(n for n in named if "/" in n).split("/")[0]
        here = []
        for name in (n for n in named if not n.isupper()):
            found = list(ROOT.glob(str(folder / name.split("/")[-1])))
            assert found or "in `" in files, name
            here += found
        for name in (n for n in named if n.isupper()):
            assert any(f"\n{name}" in path.read_text(encoding="utf-8") for path in here), name
        for name in re.findall(r"`([^`]+)`", tests):
            assert list((ROOT / "tests").glob(name)), name
        for name in re.findall(r"`([^`]+)`", pages):
            assert (ROOT / "docs" / name).exists(), name


def test_every_number_has_its_formula_and_source():
    words = {"frame", "verdict", "reasons", "explanation", "target", "filter"}
    assert {c.name for c in COLUMNS if c.formula and c.source} == {c.name for c in COLUMNS} - words


def test_the_readme_names_every_file_and_every_exit_code():
    for name in FILES:
        assert f"`{name}`" in README
    help_text = cli.get_help(click.Context(cli, info_name="subgrade"))
    codes = re.findall(r"(\d+)\s+(?:done|nothing|wrong|results|interrupted)", help_text)
    assert len(codes) == 6
    assert re.findall(r"^\| (\d+) \|", README, flags=re.MULTILINE) == codes


def test_the_readme_sets_up_and_runs_in_one_command_each():
    blocks = [b.strip().splitlines() for b in re.findall(r"```\n(.*?)```", README, re.DOTALL)]
    assert [len(block) for block in blocks[:2]] == [1, 1]
    assert blocks[1] == ["pip install . && subgrade grade demo_subs --guide demo_subs/guiding.csv"]
    assert README.count("pip install .\n") == 0  # once is enough
    assert ['pip install ".[test]" && python -m pytest -n 2 --dist loadfile'] in blocks


@pytest.mark.skipif(sys.platform == "win32", reason="it is written for a shell")
def test_the_readme_copies_the_keeps_whatever_they_are_called(tmp_path):
    (command,) = re.findall(r"^mkdir .*keeps\.txt.*$", README, re.MULTILINE)
    assert " /tmp/keeps " in command  # not into the clone
    results, lights = tmp_path / "subgrade_results", tmp_path / "demo_subs"
    names = ["a.fits", "two  words.fits", "back\\slash.fits", "star*.fits"]
    for folder in (results, lights):
        folder.mkdir()
    for name in [*names, "reject.fits", "star2.fits"]:
        (lights / name).write_text(name, encoding="utf-8")
    (results / "keeps.txt").write_text("\n".join([f"# {lights}", *names, ""]), encoding="utf-8")
    command = command.replace("/tmp/keeps", "'copy of keeps'")
    subprocess.run(["sh", "-c", command], cwd=tmp_path, check=True)
    assert sorted(p.name for p in (tmp_path / "copy of keeps").iterdir()) == sorted(names)


@pytest.mark.parametrize("path", PAGES, ids=lambda p: str(p.relative_to(ROOT)))
def test_the_commands_on_the_pages_exist(path):
    assert_accepted(command_lines(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize("name", COMMANDS)
def test_the_commands_in_the_help_exist(name):
    calls = re.findall(r"^ *subgrade (.+)$", cli.get_command(None, name).epilog, re.MULTILINE)
    assert calls
    assert_accepted([shlex.split(call.split(">>")[0]) for call in calls])


def assert_accepted(calls: list[list[str]]) -> None:
    """Fail unless the command line knows every command and option."""
    for words in calls:
        assert words[0] in COMMANDS, words
        command = cli.get_command(None, words[0])
        options = {name for p in command.params for name in (*p.opts, *p.secondary_opts)}
        assert {w for w in words[1:] if w.startswith("-")} <= {*options, "--help"}, words


def command_lines(text: str) -> list[list[str]]:
    """The arguments of every ``subgrade`` call in blocks and in code marks."""
    blocks = "\n".join(re.findall(r"```\n(.*?)```", text, re.DOTALL))
    calls = re.findall(r"(?:^|&& )subgrade (.+)$", blocks, re.MULTILINE)
    calls += re.findall(r"`subgrade (\w[^`]*)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
    return [shlex.split(call, comments=True) for call in calls]


HEADINGS = (
    "What happened",
    "How it shows",
    "Limits used",
    "Distinguishing it from its look-alikes",
    "Example",
    "Remedies",
    "Cautions",
    "Sources",
)
SIGNS = ("In the image", "Over the night", "In the guiding record")


@pytest.mark.parametrize("reason", REASONS.values(), ids=lambda r: r.word)
def test_every_word_has_its_page(reason):
    text = page(f"reasons/{reason.word}.md")
    assert tuple(re.findall(r"^## (.+)$", text, re.MULTILINE)) == HEADINGS
    assert all(f"- **{sign}.**" in text for sign in SIGNS)
    assert "o be written" not in text
    for section in text.split("\n## ")[1:]:
        assert len(section.split()) > 6, section
    assert f"](../pictures/reasons/{reason.word}.png)" in text
    for key in re.findall(r"`(\w+\.\w+)`", text.split("## Limits used")[1].split("##")[0]):
        assert f"| `{key}` |" in page("limits.md"), key
    said = re.search(r"<!-- example -->\n> (.+)\n<!-- end -->", text)[1]
    others = {"unreadable": "Not graded:", "surplus": "Left out by your choice"}
    begins = others.get(reason.word, "Rejected:")
    assert said.startswith(begins if reason.rejects else "Kept, with a remark:")


def test_the_page_of_a_new_word_is_begun_with_every_part_and_passes_for_no_finished_one():
    begun = TABLES["NEW_PAGE"].replace("WORD", "cloud")
    assert tuple(re.findall(r"^## (.+)$", begun, re.MULTILINE)) == HEADINGS
    assert all(f"- **{sign}.** To be written." in begun for sign in SIGNS)
    assert TABLES["renewed"]("reasons/cloud.md", begun).count("# `cloud`: cloud or haze\n") == 1


def test_every_word_is_drawn():
    drawn = sorted((ROOT / "docs" / "pictures" / "reasons").iterdir())
    assert [p.stem for p in drawn] == sorted(REASONS)
    for picture in drawn:
        assert picture.stat().st_size < 30_000, picture.name
        with Image.open(picture) as image:
            image.load()
            grey = np.asarray(image.convert("L"), dtype=float)
        # something is drawn above and below, right and left
        assert min(np.ptp(part) for part in (grey[:180, :180], grey[184:, :180])) > 60


def test_the_examples_in_python_run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"```python\n(.*?)```", page("python-api.md"), re.DOTALL)
    assert len(blocks) >= 9
    names: dict = {}
    for block in blocks:
        exec(compile(block, "docs/python-api.md", "exec"), names)


UNSHOWN = (
    "subgrade grade night --out graded",
    "subgrade grade night --guide night/guiding.csv --out graded --list-style paths",
    "subgrade review graded",
)
"""Commands whose output the handbook does not show: a grade would cost seconds, and a review does
not end of itself."""


def test_the_handbook_shows_what_the_commands_print(tmp_path, monkeypatch):
    """Every line shown was printed by the commands before it, numbers aside."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "demo_subs", tmp_path / "night")
    text = re.sub(r"^ {3}", "", page("handbook.md"), flags=re.MULTILINE)
    marks = re.search(r"```text\n(frame,verdict\n.*?)```", text, re.DOTALL)[1]
    (tmp_path / "marks.csv").write_text(marks, encoding="utf-8")
    printed, shown, done = "", 0, set()
    for block in re.findall(
        r"^```\n(.*?)```", re.sub(r"^```text.*?```", "", text, flags=re.M | re.S), re.M | re.S
    ):
        lines = block.splitlines()
        if lines[0].startswith("subgrade ") and ":" not in lines[0]:
            fresh = [line for line in lines if line not in done and line not in UNSHOWN]
            printed += "".join(printed_by(line, tmp_path) for line in fresh)
            done.update(lines)
        elif not lines[0].startswith(("python3", "cp ")):
            for line in filter(str.strip, lines):
                assert unnumbered(line) in unnumbered(printed), line
                shown += 1
    assert shown > 50


def printed_by(line: str, folder: Path) -> str:
    """Output and messages of a command that succeeds, the folder's name replaced."""
    words = shlex.split(line)[1:]
    if words[0] == "grade":
        # drawing the page takes longer than all else; tests/test_report*.py look at it
        words += ["--no-report", "--workers", "1"]
    done = CliRunner().invoke(cli, words, env={"COLUMNS": "100"})
    assert done.exit_code == 0, (line, done.output)
    return done.output.replace(str(folder.resolve()), "/home/you")


def unnumbered(text: str) -> str:
    """Text with every number replaced and blanks made one, so that tuning leaves it alone."""
    return " ".join(re.sub(r"[+\-−]?\d+(\.\d+)?", "0", text).split())


def test_pictures_are_sound_and_need_no_network():
    pictures = sorted((ROOT / "docs" / "pictures").glob("*.svg"))
    assert pictures
    for picture in pictures:
        text = picture.read_text(encoding="utf-8")
        ElementTree.fromstring(text)
        assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
