"""Help, version, completion, progress, exit codes of the installed command."""

import importlib.metadata
import os
import platform
import re
import subprocess
import sys
from importlib.metadata import version

import pytest
from click.testing import CliRunner

from subgrade import __version__
from subgrade.cli import COMMANDS, cli
from subgrade.cli.progress import BarProgress, LineProgress, QuietProgress
from subgrade.cli.summary import duration
from subgrade.installed import description
from subgrade.plaintext import printable

COMMAND = [sys.executable, "-m", "subgrade"]


@pytest.mark.parametrize("arguments", [["--help"], *([name, "--help"] for name in COMMANDS)])
def test_every_help_shows_a_worked_example(arguments):
    outcome = CliRunner().invoke(cli, arguments, prog_name="subgrade")
    assert outcome.exit_code == 0
    example = outcome.output.split("Example:")[1]
    assert "  subgrade " in example


@pytest.mark.parametrize("name", COMMANDS)
def test_ranges_are_given_in_words(name):
    help_text = CliRunner().invoke(cli, [name, "--help"], prog_name="subgrade").output
    assert "x<=" not in help_text
    assert "x>=" not in help_text
    assert "RANGE" not in help_text


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("grade x --workers 0", "'--workers': 0 is out of range: 1 to 1024"),
        ("grade x --workers 2.5", "'--workers': '2.5' is not a whole number"),
        ("grade x --scale nan", "'--scale': 'nan' is not a number"),
        ("grade x --guide-utc-offset -17", "-17 is out of range: -16 to 16"),
        ("guide x --guide-scale inf", "inf is out of range: 0.01 to 1000"),
        ("simulate x --seed -1", "'--seed': -1 is out of range: 0 or more"),
    ],
)
def test_a_number_out_of_range_is_refused_with_the_range(words, message):
    outcome = CliRunner().invoke(cli, words.split(), prog_name="subgrade")
    assert outcome.exit_code == 2
    assert message in outcome.output


def test_the_version_is_the_packages_own():
    done = subprocess.run([*COMMAND, "--version"], capture_output=True, text=True, check=True)
    first, machine, libraries, *_ = done.stdout.splitlines()
    assert first == f"subgrade {__version__}"
    assert machine.startswith(f"Python {platform.python_version()}, ")
    assert re.search(r", [1-9]\d* cores?$", machine)
    for name in ("numpy", "scipy", "astropy", "numba", "click", "rich", "pillow"):
        assert f"{name} {version(name)}" in libraries


@pytest.mark.parametrize(
    ("stated", "there", "line"),
    [
        (["a>=1; extra == 'x'", "b; extra == 'x'"], {"a": "1.5"}, "extra [x]: without b"),
        (["a>=1; extra == 'x'"], {"a": "1.5"}, "extra [x]: a 1.5"),
        (["a>=1; extra == 'x'"], {}, "extra [x]: not installed"),
    ],
)
def test_the_version_names_each_extra_and_what_it_lacks(monkeypatch, stated, there, line):
    def found(name):
        if name not in there:
            raise importlib.metadata.PackageNotFoundError(name)
        return there[name]

    dev = ["p; extra == 'test'", "numpy"]
    monkeypatch.setattr(importlib.metadata, "requires", lambda name: stated + dev)
    monkeypatch.setattr(importlib.metadata, "version", found)
    assert description()[2:] == [line]


@pytest.mark.parametrize(
    "words", [[], ["--version"], ["grade"], ["explain"], ["diagnose"], ["guide"]]
)
def test_help_loads_no_heavy_library(words):
    code = f"import sys, subgrade.cli; subgrade.cli.main({[*words, '--help']})"
    probe = f"try:\n    {code}\nexcept SystemExit:\n    print(sorted(sys.modules))"
    probe = f"import sys\n{probe}"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    loaded = done.stdout.splitlines()[-1]
    for name in ("numpy", "numba", "astropy", "scipy", "rich"):
        assert f"'{name}'" not in loaded


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_the_completion_script_names_the_command(shell):
    outcome = CliRunner().invoke(cli, ["completion", shell])
    assert outcome.exit_code == 0
    assert "_SUBGRADE_COMPLETE" in outcome.output


def test_completion_completes_commands():
    environment = os.environ | {
        "_SUBGRADE_COMPLETE": "bash_complete",
        "COMP_WORDS": "subgrade gr",
        "COMP_CWORD": "1",
    }
    done = subprocess.run(COMMAND, capture_output=True, text=True, env=environment, check=True)
    assert done.stdout.strip() == "plain,grade"


def test_line_progress_speaks_rarely_and_names_failures(capsys):
    progress = LineProgress()
    progress.start(100, 0)
    for k in range(100):
        progress.advance(f"f{k}", "broken" if k == 7 else None)
    progress.stop()
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "measured 0 of 100 files"
    assert lines[-1] == "measured 100 of 100 files"
    assert "could not be graded: f7: broken" in lines
    assert len(lines) <= 13


def test_quiet_progress_says_only_failures(capsys):
    progress = QuietProgress()
    progress.say("hello")
    progress.start(2, 0)
    progress.advance("a")
    progress.advance("b", "broken")
    progress.stop()
    assert capsys.readouterr().err == "could not be graded: b: broken\n"


def test_the_bar_ends_where_it_should(capsys):
    progress = BarProgress()
    progress.start(3, 1)
    progress.advance("a")
    progress.advance("b", "broken")
    assert progress._bar.tasks[0].finished
    progress.stop()
    assert "could not be graded: b: broken" in capsys.readouterr().err


def test_names_stay_on_their_line():
    assert printable("a\nb\x1b[1m.fits") == "a\\nb\\x1b[1m.fits"
    assert printable("über.fits") == "über.fits"


def test_durations():
    assert [duration(s) for s in (0, 59, 60, 5400, 36060)] == [
        "0 s",
        "59 s",
        "1 min",
        "1 h 30 min",
        "10 h 01 min",
    ]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["grade", "dem"], ("dem", "file")),
        (["grade", "subs", "--guide", "rec"], ("rec", "file")),
        (["cull", "results", "--to", "away"], ("away", "file")),
    ],
)
def test_the_shell_completes_paths(words, expected):
    """click asks the shell to complete a file for an item of this type (click's own protocol)."""
    from click.shell_completion import ShellComplete

    from subgrade.cli import cli

    items = ShellComplete(cli, {}, "subgrade", "_X").get_completions(words[:-1], words[-1])
    assert [(i.value, i.type) for i in items] == [expected]


def test_the_shell_completes_the_frames_of_the_results(tmp_path):
    from click.shell_completion import ShellComplete

    from subgrade.cli import cli

    (tmp_path / "summary.csv").write_text("frame,verdict\nlight_01.fits,keep\nlight_12.fits,keep\n")
    shell = ShellComplete(cli, {}, "subgrade", "_X")
    items = shell.get_completions(["explain", str(tmp_path)], "light_1")
    assert [i.value for i in items] == ["light_12.fits"]
    assert shell.get_completions(["explain", str(tmp_path / "none")], "l") == []
