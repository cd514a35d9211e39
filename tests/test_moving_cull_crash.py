"""Killed at any moment, cull and restore lose no sub, double none, and bring all back."""

from __future__ import annotations

import errno
import gc
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from subgrade.errors import SubgradeError
from subgrade.moving import cull, disk, lock, restore
from tests.culled_nights import REJECTS, assert_accounted, copy_of, tree, write_results

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork"),
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),  # fork beside threads
]

KILLS = {"rename": 110, "hard link": 110, "other disk": 160, "plain copy": 80, "symlinks": 20}
"""Random kills by way of moving; with the 20 of `test_killed_by_a_signal` they are 500."""
KILLED = 9
CALLS = (
    "open",
    "write",
    "fsync",
    "close",
    "link",
    "unlink",
    "rename",
    "mkdir",
    "rmdir",
    "symlink",
    "utime",
    "ftruncate",
)


def pretend(way: str, lights: Path) -> None:
    """Make this process see a file system that moves in a certain way only."""
    native, link = disk.exclusive_rename, os.link
    inside = str(lights) + os.sep

    def cannot(origin, place):
        raise OSError(errno.ENOSYS, "not supported", place)

    def apart(call):
        def across(origin, place):
            if str(origin).startswith(inside) != str(place).startswith(inside):
                raise OSError(errno.EXDEV, "other device", place)
            return call(origin, place)

        return across

    if way in ("hard link", "plain copy"):
        disk.exclusive_rename = cannot
    if way == "plain copy":
        os.link = cannot
    if way == "other disk":
        disk.exclusive_rename, os.link = apart(native), apart(link)
    disk.BLOCK = 700


class Countdown:
    """Ends the process at its n-th call that touches the disk: before, amid or after it."""

    def __init__(self, at: int, manner: str):
        self.calls, self._at, self._manner = 0, at, manner
        for name in CALLS:
            setattr(os, name, self._counted(name, getattr(os, name)))
        disk.exclusive_rename = self._counted("exclusive_rename", disk.exclusive_rename)

    def _counted(self, name, call):
        # a killed process loses nothing that it has written: only power failure asks for fsync
        call = (lambda handle: None) if name == "fsync" else call

        def counted(*arguments, **options):
            self.calls += 1
            if self.calls != self._at:
                return call(*arguments, **options)
            if self._manner == "amid" and name == "write":
                handle, data = arguments
                call(handle, bytes(data)[: len(data) // 2])
            elif self._manner == "after":
                call(*arguments, **options)
            os._exit(KILLED)

        return counted


def in_child(way: str, lights: Path, at: int, manner: str, work) -> int:
    """Run in a process of its own; its exit code, or the number of its calls where asked."""
    read, write = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            gc.disable()  # it would copy every page of this process
            pretend(way, lights)
            countdown = Countdown(at, manner)
            work()
            calls = countdown.calls
            os._exit(0 if os.write(write, calls.to_bytes(4, "big")) else 1)
        except BaseException as error:
            sys.__stderr__.write(f"{type(error).__name__}: {error}\n")
            os._exit(1)
    os.close(write)
    with os.fdopen(read, "rb") as stream:
        stated = stream.read()
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    assert code in (0, KILLED)
    return int.from_bytes(stated, "big") if code == 0 else -1


@pytest.fixture
def quick(tmp_path):
    """A folder in memory where there is one: hundreds of nights are written and removed."""
    with second_disk(tmp_path) as folder:
        yield folder


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    """Without links and safe renames a kill can leave a lock without its owner's number."""
    monkeypatch.setattr(lock, "EMPTY_IS_STALE_S", -1.0)


@contextmanager
def second_disk(tmp_path: Path):
    """A folder on another file system than ``tmp_path``; below it where there is none."""
    shm = Path("/dev/shm")
    apart = shm.is_dir() and os.access(shm, os.W_OK) and shm.stat().st_dev != tmp_path.stat().st_dev
    folder = Path(tempfile.mkdtemp(prefix="subgrade_", dir=shm if apart else tmp_path))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


@pytest.mark.parametrize("way", KILLS)
def test_killed_at_any_moment_nothing_is_lost(quick, way):
    draw = random.Random(f"killed {way}")
    write_results(quick / "night")
    before = tree(quick / "night" / "lights")
    linked = way == "symlinks"
    calls: dict[str, int] = {}
    killed = {"cull": 0, "restore": 0}
    trial = restored = 0
    while sum(killed.values()) < KILLS[way]:
        root = quick / f"t{(trial := trial + 1)}"
        graded = copy_of(quick / "night", root)
        lights, culled = root / "lights", root / "culled"
        work = {
            "cull": lambda g=graded, c=culled: cull(g, c, link=linked),
            "restore": lambda g=graded: restore(g),
        }
        if not calls:
            calls = {n: in_child(way, lights, 0, "", work[n]) for n in ("cull", "restore")}
            assert min(calls.values()) > 15
            assert tree(lights) == before
        steps = draw.choice(
            [
                ["cull"],
                ["cull", "cull"],
                ["cull", "restore"],
                ["restore"],
                ["restore", "restore"],
                ["restore", "cull"],
            ]
        )
        if steps[0] == "restore":
            work["cull"]()
        for step in steps:
            at, manner = draw.randint(1, calls[step]), draw.choice(["before", "amid", "after"])
            killed[step] += in_child(way, lights, at, manner, work[step]) < 0
            if linked:
                assert tree(lights) == before
            else:
                assert_accounted(before, lights, culled)
        if draw.random() < 0.5:
            assert not work["cull"]().problems
        assert not work["restore"]().problems
        assert tree(lights) == before, f"trial {trial}: {steps}"
        assert tree(culled) == {}
        if (graded / "cull_journal.jsonl").exists():  # else there was nothing to restore
            assert not list(graded.glob("cull.lock*"))
            restored += 1
        shutil.rmtree(root)
    assert min(killed.values()) > KILLS[way] / 5
    assert restored > KILLS[way] / 5


def test_the_kills_are_five_hundred():
    assert sum(KILLS.values()) + SIGNALS == 500


SIGNALS = 20


@pytest.mark.parametrize("way", ["rename", "other disk"])
def test_killed_in_a_move_after_links_nothing_is_lost(quick, way):
    draw = random.Random(f"links, then {way}")
    write_results(quick / "night")
    before = tree(quick / "night" / "lights")
    calls = killed = linked = 0
    for trial in range(25):
        root = quick / f"t{trial}"
        graded = copy_of(quick / "night", root)
        lights, to = root / "lights", root / "culled"
        look = to if trial % 2 else root / "look"

        def work(graded=graded, to=to):
            return cull(graded, to)

        def links(graded=graded, look=look):
            return cull(graded, look, link=True)

        links()
        if not calls:
            calls = in_child(way, lights, 0, "", work)
            restore(graded)
            links()
        at, manner = draw.randint(1, calls), draw.choice(["before", "amid", "after"])
        killed += in_child(way, lights, at, manner, work) < 0
        for link in [path for path in to.rglob("*") if path.is_symlink()]:
            assert link.exists(), "a link that leads nowhere"
            link.unlink()
            linked += 1
        assert_accounted(before, lights, to)
        if draw.random() < 0.5:
            assert not work().problems
        assert not restore(graded).problems
        assert tree(lights) == before
        assert tree(to) == tree(look) == {}
    assert killed > 15
    assert linked


def test_killed_by_a_signal(tmp_path, other_disk):
    """SIGKILL from outside, on a real second file system where there is one."""
    draw = random.Random(5)
    write_results(tmp_path / "night", size=40_000)
    before = tree(tmp_path / "night" / "lights")
    stopped_within = 0
    for trial in range(SIGNALS):
        graded = copy_of(tmp_path / "night", tmp_path / f"t{trial}")
        lights, culled = graded.parent / "lights", other_disk / f"culled{trial}"
        child = os.fork()
        if child == 0:
            disk.BLOCK = 300
            try:
                while True:
                    cull(graded, culled)
                    restore(graded)
            finally:
                os._exit(1)
        time.sleep(draw.uniform(0.005, 0.06))
        os.kill(child, signal.SIGKILL)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
        assert_accounted(before, lights, culled)
        stopped_within += tree(lights) != before or culled.exists()
        outcome = restore(graded)
        assert not outcome.problems
        assert tree(lights) == before
        assert not culled.exists()
    assert stopped_within > SIGNALS / 3


@pytest.fixture
def other_disk(tmp_path):
    with second_disk(tmp_path) as folder:
        yield folder


def test_moves_to_a_real_second_disk_and_back(tmp_path, other_disk):
    if other_disk.stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is no second file system")
    graded = write_results(tmp_path)
    before = tree(tmp_path / "lights")
    outcome = cull(graded, other_disk / "culled")
    assert len(outcome.moved) == len(REJECTS)
    assert {n: t for n, t in tree(other_disk / "culled").items() if n in REJECTS} == {
        n: before[n] for n in REJECTS
    }
    restore(graded)
    assert tree(tmp_path / "lights") == before
    assert not (other_disk / "culled").exists()


def test_a_live_run_holds_the_folder(tmp_path):
    graded = write_results(tmp_path)
    holder = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    try:
        import json
        import platform

        holder_text = {"pid": holder.pid, "host": platform.node()}
        (graded / "cull.lock").write_text(json.dumps(holder_text))
        with pytest.raises(SubgradeError, match=f"process {holder.pid} "):
            cull(graded, tmp_path / "culled")
    finally:
        holder.communicate(b"\n")
    assert len(cull(graded, tmp_path / "culled").moved) == len(REJECTS)
    (graded / "cull.lock").write_text(json.dumps(holder_text | {"host": "another machine"}))
    with pytest.raises(SubgradeError, match="another machine"):
        restore(graded)
