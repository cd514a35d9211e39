"""Measuring in processes: crashes, odd errors, and how many to start."""

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from subgrade import workers
from subgrade.errors import UnreadableFile
from subgrade.workers import Failure, default_workers, measure_each


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


def _dies() -> None:
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
    monkeypatch.setattr(workers, "_start_worker", _dies)
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


def test_compiling_is_said_only_when_it_is_slow(monkeypatch):
    import subgrade.stars

    lines = []
    monkeypatch.setattr(subgrade.stars, "warm_up", lambda: None, raising=False)
    assert list(measure_each([Path("a")], pretend, 1, lines.append)) == [(Path("a"), "a")]
    assert lines == []
    monkeypatch.setattr(workers, "COMPILE_IS_SLOW_S", 0.02)
    monkeypatch.setattr(subgrade.stars, "warm_up", lambda: time.sleep(0.3), raising=False)
    list(measure_each([Path("a")], pretend, 1, lines.append))
    assert lines == [workers.COMPILING]


def test_no_more_processes_than_cores_or_work(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: set(range(8)), raising=False)
    assert [default_workers(n) for n in (0, 1, 7, 8, 20, 500)] == [1, 1, 1, 2, 5, 8]


def test_measuring_works_away_from_the_main_thread():
    found = {}
    thread = threading.Thread(target=lambda: found.update(outcomes(["a", "b"], 2)))
    thread.start()
    thread.join(60)
    assert found == {"a": "a", "b": "b"}


@pytest.mark.parametrize("count", [1, 2])
def test_nothing_to_do_is_nothing_done(count):
    assert outcomes([], count) == {}
