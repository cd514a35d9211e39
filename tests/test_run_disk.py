"""Disks that are full or read-only, files that may not be read, streams that are closed."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest

from subgrade.errors import NotWritten
from subgrade.lights import find_lights
from subgrade.results import files
from subgrade.results.measurement_cache import MeasurementCache
from tests.cli_frames import rows, run, write_night

COUNT = 4
ROOT = hasattr(os, "geteuid") and os.geteuid() == 0
NOBODY = 65534
PACKAGE = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def lights(tmp_path_factory):
    return write_night(tmp_path_factory.mktemp("night") / "lights", COUNT)


def grade(capfd, lights, out, *options):
    return run(capfd, "grade", lights, "--out", out, "--workers", 1, "--no-report", *options)


def content(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.is_file()}


@contextmanager
def small_disk(place: Path, options: str):
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)], capture_output=True
    )
    if done.returncode:
        pytest.skip("no small disk can be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def refused_before_measuring(code, err):
    assert code == 4
    assert "the results could not be written" in err
    assert "measured" not in err
    assert "Traceback" not in err
    return True


@pytest.mark.skipif(not ROOT, reason="mounting needs root")
def test_a_full_disk_and_a_read_only_one_are_met_before_measuring(tmp_path, lights, capfd):
    with small_disk(tmp_path / "disk", "size=1m") as disk:
        code, _, err = run(capfd, "grade", lights, "--out", disk / "r", "--workers", 1)
        assert refused_before_measuring(code, err)
        assert "has 1.0 MB free" in err
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        code, _, err = grade(capfd, lights, disk / "new")
        assert refused_before_measuring(code, err)
        assert "Read-only file system" in err


@pytest.mark.skipif(not ROOT, reason="mounting needs root")
def test_a_disk_that_fills_up_leaves_the_earlier_results_whole(tmp_path, lights, capfd):
    with small_disk(tmp_path / "disk", "size=2m") as disk:
        out = disk / "r"
        assert grade(capfd, lights, out)[0] == 0
        before = content(out)
        free = shutil.disk_usage(disk).free
        (disk / "other").write_bytes(b"\0" * (free - 40_000))
        code, _, err = grade(capfd, lights, out)
        assert refused_before_measuring(code, err)
        assert content(out) == before


@pytest.mark.parametrize("write", range(5))
def test_results_take_their_places_together_or_not_at_all(
    monkeypatch, tmp_path, lights, capfd, write
):
    out = tmp_path / "r"
    grade(capfd, lights, out)
    before, calls, whole = content(out), [], os.fsync

    def full(handle):
        calls.append(handle)
        if len(calls) > write:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        whole(handle)

    monkeypatch.setattr(files.os, "fsync", full)
    limits = tmp_path / "other.toml"
    limits.write_text("[light]\nuneven = 0.5\n")
    code, _, err = grade(capfd, lights, out, "--limits", limits)
    assert code == 4
    assert "No space left on device" in err
    assert content(out) == before
    assert not list(out.glob(".*"))


def refusing(monkeypatch, call, name, times=1):
    """The system call fails ``times`` for a path of this name, as for an immutable file."""
    whole, left = getattr(os, call), [times]

    def refuse(*paths, **options):
        if Path(paths[-1]).name == name and left[0]:
            left[0] -= 1
            raise OSError(errno.EPERM, os.strerror(errno.EPERM))
        return whole(*paths, **options)

    monkeypatch.setattr(files.os, call, refuse)


def two_and_a_new_one(folder):
    """A folder with files of an earlier run, and their successors on the way."""
    for name in ("a.csv", "b.csv", "page.html"):
        (folder / name).write_text(f"old {name}")
    staged = files.Staged(folder)
    for name in ("a.csv", "new.csv", "b.csv"):
        staged.add(name, f"new {name}")
    return staged


@pytest.mark.parametrize("second_names", [True, False])
def test_one_place_that_refuses_leaves_all_files_as_they_were(monkeypatch, tmp_path, second_names):
    if not second_names:  # as FAT

        def unsupported(*paths, **options):
            raise OSError(errno.EPERM, os.strerror(errno.EPERM))

        monkeypatch.setattr(files.os, "link", unsupported)
    with two_and_a_new_one(tmp_path) as staged:
        before = content(tmp_path)
        refusing(monkeypatch, "replace", "b.csv")
        with pytest.raises(
            NotWritten, match=r"b\.csv: cannot be written: Operation not permitted$"
        ):
            staged.install(gone=["page.html", "never.html"])
    after = content(tmp_path)
    assert after == {name: held for name, held in before.items() if not name.startswith(".")}
    assert set(after) == {"a.csv", "b.csv", "page.html"}


def test_a_page_that_cannot_be_removed_leaves_all_files_as_they_were(monkeypatch, tmp_path):
    with two_and_a_new_one(tmp_path) as staged:
        refusing(monkeypatch, "unlink", "page.html")
        with pytest.raises(NotWritten, match=r"page\.html: cannot be written"):
            staged.install(gone=["page.html"])
    held = content(tmp_path)
    assert held == {name: f"old {name}".encode() for name in ("a.csv", "b.csv", "page.html")}


def test_files_that_take_their_places_leave_nothing_beside_them(tmp_path):
    (tmp_path / "link.csv").symlink_to("a.csv")
    with two_and_a_new_one(tmp_path) as staged:
        staged.install(gone=["page.html", "link.csv"])
    held = content(tmp_path)
    assert held == {name: f"new {name}".encode() for name in ("a.csv", "b.csv", "new.csv")}


def test_what_cannot_be_put_back_is_named_and_kept(monkeypatch, tmp_path):
    whole, calls = os.replace, []

    def third_and_later_fail(one, other):
        calls.append(other)
        if len(calls) > 2:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        whole(one, other)

    with two_and_a_new_one(tmp_path) as staged:
        monkeypatch.setattr(files.os, "replace", third_and_later_fail)
        with pytest.raises(NotWritten, match=r"a\.csv is new already, .*\.a\.csv\.\w+ the earlier"):
            staged.install()
    kept = next(p for p in tmp_path.iterdir() if p.name.startswith(".a.csv."))
    assert kept.read_text() == "old a.csv"
    assert not (tmp_path / "new.csv").exists()
    assert (tmp_path / "b.csv").read_text() == "old b.csv"


def test_a_disk_too_full_for_measurements_costs_no_frame(monkeypatch, tmp_path, lights, capfd):
    def full(cache, path, data):
        raise NotWritten(f"{path}: cannot be written: No space left on device")

    monkeypatch.setattr(MeasurementCache, "write", full)
    code, _, err = grade(capfd, lights, tmp_path / "r")
    assert code == 0
    assert err.count("measurements are not kept for another run") == 1
    assert {row["verdict"] for row in rows(tmp_path / "r").values()} == {"keep", "reject"}


def test_a_page_that_cannot_be_written_is_named_and_costs_nothing_else(tmp_path, lights, capfd):
    out = tmp_path / "r"
    (out / "report.html").mkdir(parents=True)
    code, _, err = run(capfd, "grade", lights, "--out", out, "--workers", 1)
    assert code == 3
    assert "report.html is missing from the results" in err
    session = json.loads((out / "session.json").read_text())
    assert [p["file"] for p in session["problems"]] == ["report.html"]
    assert len(rows(out)) == COUNT


def test_no_room_for_the_page_leaves_room_for_the_session(monkeypatch, tmp_path, lights, capfd):
    whole, failed = files.Staged.add, []

    def full(staged, name, text, to_disk=True):
        if name == "session.json" and not failed:
            failed.append(name)
            raise NotWritten("no room")
        whole(staged, name, text, to_disk)

    monkeypatch.setattr(files.Staged, "add", full)
    out = tmp_path / "r"
    code, _, err = run(capfd, "grade", lights, "--out", out, "--workers", 1)
    assert code == 3
    assert "report.html is missing from the results" in err
    assert not (out / "report.html").exists()
    assert (out / "session.json").exists()


def test_an_own_file_of_the_limits_name_is_met_before_measuring(tmp_path, lights, capfd):
    (tmp_path / "r").mkdir()
    (tmp_path / "r" / "limits_taught.toml").write_text("# mine\n")
    marks = tmp_path / "marks.csv"
    marks.write_text("frame,verdict\nlight_03.fits,keep\n")
    code, _, err = grade(capfd, lights, tmp_path / "r", "--teach", marks)
    assert code == 2
    assert "measured" not in err


AS_NOBODY = """
import os, sys
from subgrade.cli import main
lights, first, second = sys.argv[1:4]
try:
    main(["grade", lights, "--out", first, "--workers", "1", "--no-report"])
except SystemExit:
    pass
os.chmod(lights + "/light_01.fits", 0)
os.chmod(lights + "/locked", 0)
os.setgid(65534)
os.setuid(65534)
os.environ["HOME"] = "/root"
main(["grade", lights, "--out", second, "--workers", "1", "--no-report", *sys.argv[4:]])
"""


@pytest.mark.slow
@pytest.mark.skipif(not ROOT, reason="dropping to another user needs root")
@pytest.mark.parametrize("options", [(), ("-q",)])
def test_what_may_not_be_read_is_named(lights, options):
    root = Path(tempfile.mkdtemp(prefix="subgrade_test_"))
    try:
        mine = shutil.copytree(lights, root / "lights")
        (mine / "locked").mkdir()
        shutil.copy(mine / "light_00.fits", mine / "locked" / "x.fits")
        (root / "second").mkdir()
        os.chown(root / "second", NOBODY, NOBODY)
        root.chmod(0o755)
        done = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, mine, root / "first", root / "second", *options],
            capture_output=True,
            text=True,
            cwd=root,
            env=os.environ | {"PYTHONPATH": str(PACKAGE)},
        )
        table = rows(root / "second")
        session = json.loads((root / "second" / "session.json").read_text())
    finally:
        shutil.rmtree(root)
    assert done.returncode == 3, done.stderr
    row = table["light_01.fits"]
    assert row["verdict"] == "unreadable"
    assert "Permission denied" in row["explanation"]
    assert f"{mine}/locked: cannot be searched: Permission denied" in done.stderr
    assert "could not be graded: light_01.fits: cannot be opened: Permission denied" in done.stderr
    assert {p["file"] for p in session["problems"]} == {str(mine / "locked"), "light_01.fits"}
    verdicts = [r["verdict"] for n, r in table.items() if n != "light_01.fits"]
    assert "unreadable" not in verdicts


def test_links_in_a_circle_end(tmp_path):
    (tmp_path / "a.fits").write_bytes(b"SIMPLE  =")
    for name, target in (("x", "x"), ("y.fits", "z.fits"), ("z.fits", "y.fits"), ("up", ".")):
        os.symlink(target, tmp_path / name)
    found = find_lights([tmp_path])
    assert [found.name(f) for f in found.files] == ["a.fits"]


SHELL = "{python} -m subgrade grade lights --out r --workers 1 --no-report {redirected}"


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs a POSIX shell")
def test_streams_that_are_closed_full_or_unread(lights, tmp_path, capfd):
    shutil.copytree(lights, tmp_path / "lights")
    grade(capfd, tmp_path / "lights", tmp_path / "r")

    def call(redirected):
        (tmp_path / "r" / "summary.csv").unlink(missing_ok=True)
        command = SHELL.format(python=sys.executable, redirected=redirected)
        done = subprocess.run(
            ["bash", "-o", "pipefail", "-c", command],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            env=os.environ | {"PYTHONPATH": str(PACKAGE)},
        )
        assert "Traceback" not in done.stderr
        assert "Exception ignored" not in done.stderr
        assert len(rows(tmp_path / "r")) == COUNT
        return done.returncode, done.stdout, done.stderr

    assert call(">&-")[0] == 0
    assert call("2>&-")[0] == 0
    assert call(">&- 2>&-")[0] == 0
    assert call("| head -1")[0] == 0
    if os.path.exists("/dev/full"):
        code, _, err = call(">/dev/full")
        assert code == 4
        assert "the output could not be written: No space left on device" in err
        assert call("2>/dev/full")[0] == 0
