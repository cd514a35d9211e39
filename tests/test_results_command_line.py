"""The command of a run, typed again: click reads it to the same settings, a shell runs it."""

import json
import os
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from subgrade.cli.grade import command as grade_command
from subgrade.pipeline import Settings
from subgrade.results.command_line import CMD, POSIX, POWERSHELL, grade_words, quoted, with_marks
from subgrade.settings import PATHS, asked_for
from tests.cli_frames import run, write_night

EVERYTHING = Settings(
    ("lights one", "more/*.fits"),
    out="my results",
    limits="strict.toml",
    workers=3,
    scale=1.25,
    exposure=0.1,
    dark="dark's.fits",
    bias="bias.fits",
    flat="flat.fits",
    guide=("a b.csv", "-c.csv"),
    guide_utc_offset=-5.5,
    guide_map="map.toml",
    guide_scale=4.0,
    expected_motion=(95.5, 214.0),
    stack="weighted",
    keep=0.8,
    prefer="sharpness",
    teach="old.csv",
    marks="older.csv",
    report=False,
    list_style="paths",
    dry_run=True,
)


def read_by_click(words) -> Settings:
    """The settings that the command line makes of words, as `subgrade.cli.grade` does."""
    assert words[:2] == ["subgrade", "grade"]
    given = grade_command.make_context("grade", words[2:]).params
    paths, _, no_report = (given.pop(name) for name in ("paths", "quiet", "no_report"))
    return Settings(tuple(paths), report=not no_report, **given)


def absolute(settings: Settings) -> Settings:
    """The same settings with every path absolute."""

    def whole(value):
        if isinstance(value, tuple):
            return tuple(map(os.path.abspath, value))
        return value and os.path.abspath(value)

    return replace(settings, **{n: whole(getattr(settings, n)) for n in ("paths", *PATHS)})


def test_every_option_of_the_command_is_repeated():
    """Fails for an option added later until `EVERYTHING` has it."""
    asked = asked_for(EVERYTHING)
    shipped = asked_for(Settings(()))
    assert [n for n in asked if asked[n] == shipped[n]] == ["remeasure", "engine"]
    assert read_by_click(grade_words(asked)) == absolute(EVERYTHING)
    # as session.json has them
    assert grade_words(json.loads(json.dumps(asked))) == grade_words(asked)


def test_what_was_not_given_is_not_typed():
    asked = asked_for(Settings(("lights",), remeasure=True))
    folder = os.path.abspath("lights")
    here = os.path.abspath("subgrade_results")
    assert grade_words({**asked, "out": "out"})[2:] == [folder, "--out", os.path.abspath("out")]
    # a folder of its own, wherever it is typed
    assert grade_words(asked)[2:] == [folder, "--out", here]


def test_every_option_that_names_a_file_is_made_absolute():
    files = {
        o.name
        for o in grade_command.params
        if o.name != "paths" and (o.metavar or "").startswith(("FILE", "DIR"))
    }
    assert files == set(PATHS)


@pytest.mark.parametrize(
    "word", ["plain", "two words", "it's", 'a "b"', "$HOME", "a;b", "*", "", "naïve ″", "a\\b", "~"]
)
def test_a_shell_reads_the_words_back(word):
    line = quoted(["printf", "%s", word], POSIX)
    assert subprocess.run(["sh", "-c", line], capture_output=True, check=True).stdout == (
        word.encode()
    )


@pytest.mark.parametrize("word", ["C:\\my subs\\", "C:\\a b\\\\", "C:\\two words"])
def test_command_prompt_quotes_as_windows_programs_read(word):
    """`subprocess.list2cmdline` follows the rules of the Microsoft C runtime."""
    once = word.rstrip("\\") + ("\\" if word.endswith("\\") else "")
    assert quoted([once], CMD) == subprocess.list2cmdline([once])


@pytest.mark.parametrize("word", ["a&b", "a|b", "(a)", "a,b", "a^b", "a;b", "%a"])
def test_what_windows_reads_into_words_is_quoted(word):
    assert quoted([word], CMD) == f'"{word}"'
    assert quoted([word], POWERSHELL) == f"'{word}'"


def test_powershell_doubles_every_quote_it_knows():
    """about_Quoting_Rules, from memory: typographic quotes count as plain ones."""
    assert quoted(["it's"], POWERSHELL) == "'it''s'"
    assert quoted(["it\u2019s"], POWERSHELL) == "'it\u2019\u2019s'"


def test_each_shell_of_the_machine_has_its_command():
    asked = asked_for(Settings(("lights",)))
    found = with_marks(asked, shells=(CMD, POWERSHELL))
    assert [c["shell"] for c in found["marks"]] == [CMD, POWERSHELL]
    assert all(c["text"].endswith("--marks marks.csv") for c in found["marks"])
    assert all(c["text"].endswith("--teach marks.csv") for c in found["teach"])
    assert [c["shell"] for c in with_marks(asked)["marks"]] == (
        [CMD, POWERSHELL] if os.name == "nt" else [POSIX]
    )


def test_marks_replace_those_before_and_lessons_go_on():
    asked = asked_for(EVERYTHING)
    found = {k: read_by_click(_words(v)) for k, v in with_marks(asked).items()}
    assert found["marks"].marks == found["teach"].teach == "marks.csv"
    assert found["marks"].teach == os.path.abspath("old.csv")
    assert found["marks"].limits == os.path.abspath("strict.toml")
    assert found["teach"].marks is None
    assert found["teach"].limits == os.path.abspath("my results/limits_taught.toml")


def _words(commands) -> list[str]:
    import shlex

    return shlex.split(commands[0]["text"])


@pytest.mark.parametrize(
    "asked", [{}, asked_for(Settings(("a\nb",))), asked_for(Settings(("\udcff",)))]
)
def test_what_cannot_be_typed_is_not_offered(asked):
    assert with_marks(asked) == {n: [] for n in ("marks", "teach", "keep", "keep_marks")}


def test_the_command_runs_in_another_folder(tmp_path, monkeypatch, capfd):
    """The run's own paths are relative and hold a space; its command is typed elsewhere."""
    write_night(tmp_path / "my night" / "lights", 4)
    away = tmp_path / "downloads"
    away.mkdir()
    monkeypatch.chdir(tmp_path / "my night")
    options = ["--scale", "2", "--out", "my results", "--stack", "weighted", "--workers", "1"]
    assert run(capfd, "grade", "lights", *options, "-q")[0] == 0
    session = json.loads(Path("my results/session.json").read_text())
    name = session["frames"][0]["values"]["frame"]
    found = with_marks(session["settings"])
    monkeypatch.chdir(away)
    Path("marks.csv").write_text(f"frame,verdict\n{name},reject\n")
    for kind in ("marks", "teach"):
        code, _, err = run(capfd, *_words(found[kind])[1:], "-q")
        assert code == 0, err
        again = json.loads((tmp_path / "my night/my results/session.json").read_text())
        assert again["settings"][kind] == "marks.csv"
        assert again["settings"]["scale"] == 2
        assert again["settings"]["stack"] == "weighted"
        verdict = again["frames"][0]["values"]["verdict"]
        assert kind == "teach" or verdict == "reject"
    assert list(away.iterdir()) == [away / "marks.csv"]
