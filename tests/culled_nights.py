"""Small results folders, written by hand, and what must hold of the files after a crash."""

from __future__ import annotations

import errno
import json
import os
import shutil
from dataclasses import asdict
from pathlib import Path

import pytest

from subgrade.lights import CULLED_MARKER
from subgrade.moving import disk
from subgrade.results import file_identities

REJECTS = ("light_1.fits", "sub dir/light_3.fits", "ünï\nline.fits")
KEEPS = ("light_2.fits", "sub dir/light_4.fits")
TIME_NS = 1_900_000_000_123_456_789


def write_results(root: Path, rejects=REJECTS, keeps=KEEPS, unreadable=(), size=2500) -> Path:
    """Lights under ``root/lights``, graded into ``root/graded``."""
    lights, graded = root / "lights", root / "graded"
    graded.mkdir(parents=True)
    verdicts = dict.fromkeys(rejects, "reject") | dict.fromkeys(keeps, "keep")
    verdicts |= dict.fromkeys(unreadable, "unreadable")
    for number, name in enumerate(sorted(verdicts)):
        path = lights / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(bytes((number * 37 + k * k) % 251 for k in range(size + number)))
        os.utime(path, ns=(TIME_NS + number, TIME_NS + number))
    record_session(lights, graded, verdicts)
    return graded


def record_session(lights: Path, graded: Path, verdicts: dict[str, str]) -> None:
    """session.json with what cull reads of it."""
    paths = {name: lights / name for name in verdicts}
    identities = file_identities(paths.values())
    frames = [
        {
            "values": {"frame": name, "verdict": verdict, "exposure_s": 120.0},
            "path": str(paths[name]),
            "identity": asdict(identities[paths[name]]) if paths[name] in identities else None,
        }
        for name, verdict in verdicts.items()
    ]
    session = {"format": 1, "folder": str(lights), "frames": frames}
    (graded / "session.json").write_text(json.dumps(session), encoding="utf-8")


def tree(folder: Path) -> dict[str, tuple]:
    """Every file below a folder: its bytes, time of change and mode; links as links."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if path.is_symlink():
            found[name] = ("link", os.readlink(path))
        elif path.is_file():
            state = path.stat()
            found[name] = (path.read_bytes(), state.st_mtime_ns, state.st_mode)
    return found


def assert_accounted(before: dict[str, tuple], lights: Path, culled: Path, rejects=REJECTS):
    """No sub is lost, none changed, and at most the one in a step is under two names."""
    here, there = tree(lights), tree(culled)
    twice = 0
    for name, (content, *_) in before.items():
        places = [t[name][0] for t in (here, there) if name in t]
        assert content in places, f"{name!r} is lost"
        if name not in rejects:
            assert here[name] == before[name]
            assert name not in there
        twice += len(places) - 1
    others = (set(here) | set(there)) - set(before) - {"subgrade_culled.txt"}
    parts = {name for name in others if name.endswith(".part")}
    assert not others - parts
    assert twice <= 1
    assert len(parts) <= 1


def copy_of(root: Path, to: Path) -> Path:
    """The same night elsewhere, its session written for the new place."""
    shutil.copytree(root / "lights", to / "lights")
    (to / "graded").mkdir()
    session = json.loads((root / "graded" / "session.json").read_text(encoding="utf-8"))
    verdicts = {f["values"]["frame"]: f["values"]["verdict"] for f in session["frames"]}
    record_session(to / "lights", to / "graded", verdicts)
    return to / "graded"


def other_disk(lights: Path):
    """A rename, or link, that meets another disk on leaving the lights' folder."""
    native = disk.exclusive_rename

    def across(origin, place):
        if Path(origin).is_relative_to(lights):
            raise OSError(errno.EXDEV, "other device")
        return native(origin, place)

    return across


def frames_in(folder: Path) -> dict[str, tuple]:
    """`tree` of a cull folder without the file that marks it."""
    return {n: t for n, t in tree(folder).items() if n != CULLED_MARKER}


@pytest.fixture(name="graded")
def graded_night(tmp_path):
    """The results folder of a night of a test's own."""
    return write_results(tmp_path)


@pytest.fixture(name="lights")
def lights_folder(graded):
    return graded.parent / "lights"


@pytest.fixture(name="culled")
def culled_folder(graded):
    return graded.parent / "culled"
