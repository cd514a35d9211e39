"""The pages say what the code does: words, columns, links, commands, pictures."""

from __future__ import annotations

import re
import shlex
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import click
import pytest

from subgrade.causes.reasons import REASONS
from subgrade.cli import COMMANDS, cli
from subgrade.results.columns import COLUMNS
from subgrade.results.write import FILES

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted(
    [*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md"), ROOT / "demo_subs" / "README.md"]
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


def test_every_page_is_listed():
    listed = set(re.findall(r"\]\(([^)\s]+)\)", page("index.md")))
    here = {p.name for p in (ROOT / "docs").glob("*.md")} - {"index.md"}
    assert here <= listed


@pytest.mark.parametrize("reason", REASONS.values(), ids=lambda r: r.word)
def test_the_verdicts_page_defines_every_word_as_the_code_does(reason):
    assert f"| `{reason.word}` | **{reason.short}**: {reason.long} |" in page("verdicts.md")


def test_the_verdicts_page_has_no_other_word():
    rows = re.findall(r"^\| `(\w+)` \|", page("verdicts.md"), flags=re.MULTILINE)
    assert rows == list(REASONS)


@pytest.mark.parametrize("column", COLUMNS, ids=lambda c: c.name)
def test_the_columns_page_defines_every_column_as_the_code_does(column):
    unit = {"pix": "px", "adu": "ADU"}.get(column.unit, column.unit)
    assert f"| `{column.name}` | {unit} | {column.meaning} |" in page("columns.md")


def test_the_readme_names_every_file_and_every_exit_code():
    for name in FILES:
        assert f"`{name}`" in README
    help_text = cli.get_help(click.Context(cli, info_name="subgrade"))
    codes = re.findall(r"(\d+)\s+(?:done|nothing|wrong|interrupted)", help_text)
    assert len(codes) == 5
    assert re.findall(r"^\| (\d+) \|", README, flags=re.MULTILINE) == codes


def test_the_readme_sets_up_in_two_commands_and_runs_in_one():
    blocks = [b.strip().splitlines() for b in re.findall(r"```\n(.*?)```", README, re.DOTALL)]
    assert [len(block) for block in blocks[:2]] == [2, 1]
    assert blocks[1] == ["pip install . && subgrade grade demo_subs"]
    assert ['pip install ".[test]" && python -m pytest'] in blocks


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


def test_pictures_are_sound_and_need_no_network():
    pictures = sorted((ROOT / "docs" / "pictures").iterdir())
    assert pictures
    for picture in pictures:
        text = picture.read_text(encoding="utf-8")
        ElementTree.fromstring(text)
        assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
