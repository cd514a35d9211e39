"""Measuring in processes: crashes, odd errors, and how many to start."""

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from subgrade import processes, workers
from subgrade.errors import UnreadableFile
from subgrade.workers import Failure, default_workers, measure_each

ROOT = Path(__file__).resolve().parents[1]


def pretend(path: Path) -> str:
    """A measurement that does what the file's name says; must be importable by processes."""
    name = Path(path).name
    if name.startswith("crash"):
        os._exit(9)
    if name.startswith("once"):  # dies the first time only
        if not Path(path).exists():
            Path(path).write_text("been here")
            os._exit(9)
        return "second time"
    if name == "bad":
        raise UnreadableFile(path, "cut short")
    if name == "odd":
        raise ZeroDivisionError("division by zero")
    if name == "large":
        raise MemoryError
    return name


def _dies(*_) -> None:
    os._exit(3)


def outcomes(names, count, folder=Path("/x")) -> dict:
    return {p.name: r for p, r in measure_each([folder / n for n in names], pretend, count)}


def test_errors_become_failures_with_their_cause():
    found = outcomes(["a", "bad", "odd", "large", "b"], 1)
    assert (found["a"], found["b"]) == ("a", "b")
    assert found["bad"] == Failure(Path("/x/bad"), "cut short")
    words = "subgrade itself failed while measuring it (ZeroDivisionError: division by zero)"
    assert (found["odd"].cause, found["odd"].kind) == (words, "crash")
    assert "in pretend" in found["odd"].trace
    assert [found[n].of_the_file for n in ("bad", "odd", "large")] == [True, False, False]
    assert "memory" in found["large"].cause


def test_a_process_that_dies_costs_only_its_own_file(tmp_path):
    names = ["a", "b", "crash", "c", "once", "d", "e"]
    found = outcomes(names, 2, tmp_path)
    assert set(found) == set(names)
    assert "died on this file, twice" in found.pop("crash").cause
    assert found.pop("once") == "second time"
    assert all(name == result for name, result in found.items())


def test_a_file_that_only_waited_when_a_process_died_has_its_two_tries(tmp_path):
    assert workers._alone(tmp_path / "once", pretend) == "second time"


def test_where_no_process_starts_files_are_measured_all_the_same(monkeypatch):
    monkeypatch.setattr(processes, "start_worker", _dies)
    lines = []
    paths = [Path("a"), Path("b"), Path("c"), Path("bad")]
    found = {p.name: r for p, r in measure_each(paths, pretend, 2, lines.append)}
    assert lines[-1] == "processes cannot be started here; measuring one file at a time"
    assert [found[n] for n in "abc"] == ["a", "b", "c"]
    assert found["bad"].cause == "cut short"


@pytest.fixture
def interruptible():
    """Tests run in the background ignore SIGINT, as their parent does."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.skipif(os.name == "nt", reason="SIGINT cannot be sent to one process there")
def test_an_interrupt_waits_for_the_file_and_is_never_its_fault(interruptible):
    begun = []

    def interrupted(path):
        begun.append(path)
        try:
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.05)
        except BaseException as error:  # what compiled code makes of it
            raise SystemError("returned a result with an exception set") from error
        return "whole"

    with pytest.raises(KeyboardInterrupt):
        list(measure_each([Path("a"), Path("b")], interrupted, 1))
    assert begun == [Path("a")]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.skipif(os.name == "nt", reason="SIGINT cannot be sent to one process there")
def test_where_interrupts_are_ignored_they_stay_ignored(interruptible):
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def interrupted(path):
        os.kill(os.getpid(), signal.SIGINT)
        return "whole"

    assert [r for _, r in measure_each([Path("a"), Path("b")], interrupted, 1)] == ["whole"] * 2
    assert signal.getsignal(signal.SIGINT) == signal.SIG_IGN


def linger(path: Path) -> str:
    """Tell the process's number, and then work for long."""
    Path(path).write_text(str(os.getpid()))
    time.sleep(120)
    return "done"


PARENT = """
import sys
from pathlib import Path
from subgrade.workers import measure_each
from tests.test_cli_workers import linger

if __name__ == "__main__":
    list(measure_each([Path(sys.argv[1]) / n for n in "abcd"], linger, 2))
"""


@pytest.mark.slow
@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="needs /proc to look for processes")
def test_workers_end_when_their_parent_is_killed(tmp_path):
    (tmp_path / "parent.py").write_text(PARENT)
    work = tmp_path / "work"
    work.mkdir()
    root = str(Path(__file__).parents[1])
    parent = subprocess.Popen(
        [sys.executable, str(tmp_path / "parent.py"), str(work)],
        env={**os.environ, "PYTHONPATH": root},
    )
    try:
        deadline = time.monotonic() + 120
        while time.monotonic() < deadline and sum(f.stat().st_size > 0 for f in work.iterdir()) < 2:
            assert parent.poll() is None
            time.sleep(0.05)
        pids = [int(f.read_text()) for f in work.iterdir()]
        assert len(pids) == 2
        assert all(map(alive, pids))
    finally:
        parent.kill()
        parent.wait()
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline and any(map(alive, pids)):
        time.sleep(0.05)
    assert not any(map(alive, pids))


def alive(pid: int) -> bool:
    """Whether a process runs; one that ended and waits to be collected does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}
WARM = "from subgrade.stars import warm_up; warm_up()"


@pytest.mark.slow
def test_compiling_is_announced_once_and_only_when_it_happens(tmp_path):
    """With one kernel gone it is, though two processes share the work; the next time it is not."""
    filled = Path(os.environ["NUMBA_CACHE_DIR"])
    subprocess.run([sys.executable, "-c", WARM], env=ENVIRONMENT, check=True)
    shutil.copytree(filled, tmp_path, dirs_exist_ok=True)
    gone = [path for path in tmp_path.rglob("streaks.*") if path.unlink() is None]
    assert gone
    code = """
from pathlib import Path
from subgrade.workers import measure_each
from tests.test_cli_workers import pretend
lines = []
done = list(measure_each([Path("a"), Path("b")], pretend, 2, lines.append))
assert sorted(name for _, name in done) == ["a", "b"]
print(lines)
"""
    environment = {**ENVIRONMENT, "NUMBA_CACHE_DIR": str(tmp_path)}
    command = [sys.executable, "-c", code]
    printed = [
        subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    ]
    assert printed == [f"{[workers.COMPILING]}\n", "[]\n"]


def test_compiling_in_this_process_is_announced(monkeypatch):
    import subgrade.stars

    lines = []
    monkeypatch.setattr(subgrade.stars, "warm_up", lambda compiling: compiling(), raising=False)
    assert list(measure_each([Path("a")], pretend, 1, lines.append)) == [(Path("a"), "a")]
    assert lines == [workers.COMPILING]


EVERY_KIND = """
import sys
from subgrade.lights import HeaderFacts, Pixels
from subgrade.stars import frame_pictures, measure_stars, warm_up
from tests.render import Scene, StarShape, render

def ready():
    found = {}
    for name, module in list(sys.modules.items()):
        if name.startswith("subgrade.stars."):
            for key, value in vars(module).items():
                if hasattr(value, "nopython_signatures"):
                    found[key] = set(map(str, value.nopython_signatures))
    return found

warm_up()
before = ready()
for mosaic, width in ((None, 600), (None, 599), ("RGGB", 600)):
    scene = Scene(600, 480, bright=60, mosaic=mosaic, hot_pixels=100, streak_adu=900.0)
    data = render(StarShape("moffat", 3.0), scene).data[:, :width].copy()
    for pixels in (Pixels(data), Pixels(data.astype("float32"), integer=False)):
        facts = HeaderFacts(mosaic=mosaic)
        frame_pictures(pixels, facts, measure_stars(pixels, facts))
assert len(before) > 20
print(sorted(name for name, kinds in ready().items() if kinds - before[name]))
"""


def test_every_kernel_of_a_frame_is_ready_after_the_warm_up():
    """A kernel the warm-up misses would be compiled by every process anew."""
    done = subprocess.run(
        [sys.executable, "-c", EVERY_KIND],
        env=ENVIRONMENT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.strip() == "[]"


def test_no_more_processes_than_cores_or_work(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(8)), raising=False)
    assert [default_workers(n) for n in (0, 1, 3, 4, 10, 500)] == [1, 1, 1, 2, 5, 8]


def test_measuring_works_away_from_the_main_thread():
    found = {}
    thread = threading.Thread(target=lambda: found.update(outcomes(["a", "b"], 2)))
    thread.start()
    thread.join(60)
    assert found == {"a": "a", "b": "b"}


@pytest.mark.parametrize("count", [1, 2])
def test_nothing_to_do_is_nothing_done(count):
    assert outcomes([], count) == {}
