"""The command ``watch``: what it refuses, and a night of a process that is ended and killed."""

from __future__ import annotations

import csv
import importlib.util
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from subgrade.cli import cli
from subgrade.pipeline import Settings, grade
from tests.cli_frames import run, write_light

COMMAND = "from subgrade.cli import main; main()"
PATIENCE_S = 120.0


def test_it_takes_what_grade_takes():
    options = {
        name: {o for p in cli.get_command(None, name).params for o in p.opts if o[0] == "-"}
        for name in ("grade", "watch")
    }
    once_only = {"--dry-run", "--remeasure", "--engine"}
    assert options["grade"] - once_only <= options["watch"]
    assert not options["watch"] & once_only


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (["--alarm", "3 rejekts"], "did you mean rejects?"),
        (["--alarm", "no guiding for 2 min"], "add --guide FILE"),
        (["--alarm-run", "''x"], ""),
        (["--limits", "none.toml"], "none.toml"),
    ],
)
def test_what_cannot_be_used_is_refused_before_the_night(capfd, tmp_path, more, says):
    code, _, err = run(
        capfd, "watch", str(tmp_path), "--out", str(tmp_path / "r"), "--stop-after", "0.01", *more
    )
    assert says in err
    assert code == (2 if says else 0)


def test_a_folder_is_wanted(capfd, tmp_path):
    path = write_light(tmp_path / "light_00.fits", 0)
    code, _, err = run(capfd, "watch", str(path))
    assert (code, "is a file; watch takes the folder" in err) == (2, True)
    code, _, err = run(capfd, "watch", str(tmp_path / "nothing"))
    assert code == 2


def test_without_its_library_the_command_names_what_to_install(capfd, tmp_path, monkeypatch):
    whole = importlib.util.find_spec
    monkeypatch.setattr(
        "subgrade.cli.watch.find_spec", lambda name: None if name == "watchfiles" else whole(name)
    )
    code, _, err = run(capfd, "watch", str(tmp_path))
    assert code == 2
    assert 'pip install "subgrade[watch]"' in err


class Watching:
    """A watch in a process of its own."""

    def __init__(self, lights: Path, out: Path, *options: str, apart: bool = False):
        self.out = out
        words = ["watch", str(lights), "--out", str(out), *options]
        self.process = subprocess.Popen(
            [sys.executable, "-c", COMMAND, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=os.environ | {"PYTHONUNBUFFERED": "1"},
            start_new_session=apart,
        )

    def wait_for(self, rows: int) -> None:
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            if len(rows_of(self.out)) == rows and (self.out / "session.json").exists():
                return
            assert self.process.poll() is None, self.process.communicate()[0]
            time.sleep(0.05)
        pytest.fail(f"not {rows} rows after {PATIENCE_S:.0f} s")

    def end(self, number: int) -> tuple[int, str]:
        self.process.send_signal(number)
        text = self.process.communicate(timeout=PATIENCE_S)[0]
        return self.process.returncode, text


def rows_of(out: Path) -> list[dict]:
    try:
        with (out / "summary.csv").open(newline="") as file:
            return list(csv.DictReader(file))
    except FileNotFoundError:
        return []


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="ended by signals")
def test_a_terminal_that_closes_while_subs_are_measured_ends_it_in_order(tmp_path):
    """The system tells every process of the terminal, and the shell does again."""
    lights, out = tmp_path / "lights", tmp_path / "graded"
    for k in range(12):
        write_light(lights / f"light_{k:02d}.fits", k)
    watch = Watching(lights, out, "--workers", "2", apart=True)
    end = time.monotonic() + PATIENCE_S
    while not list(out.glob("measured/*.kept")):
        assert time.monotonic() < end
        time.sleep(0.02)
    os.killpg(watch.process.pid, signal.SIGHUP)
    watch.process.send_signal(signal.SIGHUP)
    text = watch.process.communicate(timeout=PATIENCE_S)[0]
    assert watch.process.returncode == 0, text
    assert "UNREADABLE" not in text
    assert "resource_tracker" not in text
    assert len(rows_of(out)) <= len(list(out.glob("measured/*.kept"))) < 12
    assert not (out / "watch.lock").exists()


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="ended by signals")
def test_killed_begun_again_and_ended_in_order(tmp_path):
    lights, out = tmp_path / "lights", tmp_path / "graded"
    for k in range(3):
        write_light(lights / f"light_{k:02d}.fits", k)
    first = Watching(lights, out)
    first.wait_for(3)
    second = Watching(lights, out)
    code, text = second.process.wait(PATIENCE_S), second.process.communicate()[0]
    assert code == 2
    assert "another watch of these results is at work" in text
    part = tmp_path / "part"
    write_light(part, 3)
    os.rename(part, lights / "light_03.fits")
    first.wait_for(4)
    code, _ = first.end(signal.SIGKILL)
    assert code == -signal.SIGKILL
    kept = {p.name: p.stat().st_mtime_ns for p in (out / "measured").glob("*.kept")}
    assert len(kept) == 4
    again = Watching(lights, out, "--alarm", "1 rejects", "--alarm-run", "true", "--bell")
    write_light(part, 4, fwhm=6.5)
    time.sleep(1.0)
    os.rename(part, lights / "light_04.fits")
    again.wait_for(5)
    code, text = again.end(signal.SIGINT)
    assert code == 0
    assert "ALARM (1 rejects)" in text
    assert "\a" in text
    assert "5 files: 4 kept" in text
    assert not (out / "watch.lock").exists()
    for name, written in kept.items():
        assert (out / "measured" / name).stat().st_mtime_ns == written
    mine = (out / "summary.csv").read_bytes(), (out / "weights.csv").read_bytes()
    grade(Settings((str(lights),), str(out)))
    assert mine == ((out / "summary.csv").read_bytes(), (out / "weights.csv").read_bytes())
