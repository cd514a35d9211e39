"""Measuring on a cluster: a real scheduler and real workers on this machine, killed and hidden."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import threading
import time
from importlib.util import find_spec
from pathlib import Path

import pytest

from subgrade.cluster import link as cluster_link
from subgrade.cluster import run as cluster_run
from subgrade.cluster import tasks
from subgrade.cluster.engine import NEEDED, check_engine, scheduler_address
from subgrade.cluster.run import measure_on_cluster
from subgrade.errors import NothingToGrade, UsageError
from subgrade.measuring import MEASURED, MeasureFile, measurement_cache
from subgrade.results.file_identity import file_identity
from subgrade.settings import Settings
from subgrade.workers import Failure, measure_each
from tests.cli_frames import run, write_night
from tests.cluster_processes import ROOT, Cluster
from tests.report_nights import data_of
from tests.test_cli_workers import pretend

if find_spec("distributed") is None:
    pytest.skip("needs the extra of clusters", allow_module_level=True)

SAME = ("summary.csv", "summary.ecsv", "keeps.txt", "rejects.txt", "weights.csv")
OF_THE_RUN = {"out", "workers", "engine"}
COMMAND = [sys.executable, "-m", "subgrade"]


@pytest.fixture
def cluster(tmp_path):
    with Cluster(tmp_path / "cluster") as started:
        yield started


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Sixty-four small frames and their results as this machine alone makes them."""
    place = tmp_path_factory.mktemp("night")
    lights = write_night(place / "lights", 64)
    (lights / "light_17.fits").write_bytes((lights / "light_17.fits").read_bytes()[:9000])
    graded(lights, place / "local", "--workers", "1")
    return lights, place / "local"


def graded(lights, out, *options, code=3):
    done = subprocess.run(
        [*COMMAND, "grade", str(lights), "--out", str(out), *options],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == code, done.stderr
    return done


def assert_the_same(ours: Path, local: Path) -> None:
    """Every byte but what the run was asked and when it was."""
    for name in SAME:
        assert (ours / name).read_bytes() == (local / name).read_bytes(), name
    one, two = (json.loads((r / "session.json").read_text()) for r in (ours, local))
    for record in (one, two):
        record.pop("written_utc")
        for name in OF_THE_RUN:
            record["settings"].pop(name)
    assert one == two
    one, two = (data_of((r / "report.html").read_text(encoding="utf-8")) for r in (ours, local))
    for page in (one, two):
        del page["written_utc"], page["again"]  # the command, with the folder of the results
    assert one == two
    kept = {p.name: p.read_bytes() for p in measurements(local)}
    assert {p.name: p.read_bytes() for p in measurements(ours)} == kept
    assert not list((ours / MEASURED).glob(".*"))


def measurements(out: Path) -> list[Path]:
    return [p for p in (out / MEASURED).iterdir() if p.suffix != ".outcomes"]


# what is asked for


@pytest.mark.parametrize(
    ("engine", "address"),
    [
        ("local", None),
        ("dask://10.0.0.5:8786", "tcp://10.0.0.5:8786"),
        ("dask://observatory.lan:1/", "tcp://observatory.lan:1"),
        ("dask://[::1]:8786", "tcp://[::1]:8786"),
        ("dask+tls://10.0.0.5:8786", "tls://10.0.0.5:8786"),
    ],
)
def test_an_engine_names_its_scheduler(engine, address):
    assert scheduler_address(engine) == address


@pytest.mark.parametrize(
    "engine",
    ["", "dask", "dask://", "dask://host", "dask://host:0", "dask://host:65536", "tcp://host:1"],
)
def test_what_is_no_engine_is_wrong_usage(engine, tmp_path, capfd):
    with pytest.raises(UsageError, match="HOST:PORT"):
        check_engine(engine)
    write_night(tmp_path / "lights", 1)
    code, _, err = run(
        capfd, "grade", tmp_path / "lights", "--out", tmp_path / "r", "--engine", engine
    )
    assert (code, "Traceback" in err) == (2, False)
    assert f"--engine {engine}" in err
    assert not (tmp_path / "r").exists()


def test_without_the_libraries_the_command_to_get_them_is_named(monkeypatch):
    monkeypatch.setattr("subgrade.cluster.engine.find_spec", lambda name: None)
    with pytest.raises(UsageError, match='pip install "subgrade\\[cluster\\]"') as error:
        check_engine("dask://host:1")
    assert all(name in str(error.value) for name in NEEDED)
    check_engine("local")


def test_a_scheduler_that_is_not_there_is_wrong_usage_in_seconds(tmp_path, capfd, monkeypatch):
    monkeypatch.setattr(cluster_link, "CONNECT_S", 0.5)
    lights, out = write_night(tmp_path / "lights", 1), tmp_path / "r"
    begun = time.monotonic()
    code, _, err = run(capfd, "grade", lights, "--out", out, "--engine", "dask://127.0.0.1:9")
    assert code == 2
    assert time.monotonic() - begun < 20
    assert "no scheduler answers at 127.0.0.1:9" in err
    assert "Traceback" not in err
    assert not list((out / MEASURED).glob(".*"))


def test_a_host_that_keeps_silent_is_named_and_leaves_no_traceback(monkeypatch):
    def silent(address, timeout):
        raise TimeoutError("timed out")

    monkeypatch.setattr(cluster_link.socket, "create_connection", silent)
    with pytest.raises(cluster_link.NoScheduler, match="nothing there answers within 5 seconds"):
        cluster_link.Link("tcp://[::1]:8786")


@pytest.mark.slow
def test_what_is_measured_needs_no_cluster_any_more(tmp_path, capfd):
    lights, out = write_night(tmp_path / "lights", 2), tmp_path / "r"
    assert run(capfd, "grade", lights, "--out", out, "--workers", 1)[0] == 0
    assert run(capfd, "grade", lights, "--out", out, "--engine", "dask://127.0.0.1:9")[0] == 0
    code, _, err = run(
        capfd, "grade", lights, "--out", out, "--engine", "dask://127.0.0.1:9", "--remeasure"
    )
    assert (code, "no scheduler answers" in err) == (2, True)


# what a worker sees


def test_a_file_is_known_by_size_content_and_about_its_time(tmp_path):
    """A server that keeps whole seconds shows the same file; another file is another one."""
    path = tmp_path / "light.fits"
    path.write_bytes(bytes(range(256)) * 64)
    os.utime(path, ns=(0, 1_700_000_000_123_456_789))
    known = file_identity(path)
    assert tasks.unlike(str(path), known) == ""
    os.utime(path, ns=(0, 1_700_000_000_000_000_000))
    assert tasks.unlike(str(path), known) == ""
    os.utime(path, ns=(0, 1_700_000_060_000_000_000))
    assert "another time" in tasks.unlike(str(path), known)
    path.write_bytes(bytes(range(255, -1, -1)) * 64)
    os.utime(path, ns=(0, 1_700_000_000_000_000_000))
    assert "other content" in tasks.unlike(str(path), known)
    path.write_bytes(b"short")
    assert "5 bytes there" in tasks.unlike(str(path), known)
    path.unlink()
    assert "not there" in tasks.unlike(str(path), known)


# a cluster that works


@pytest.mark.slow
def test_results_are_those_of_this_machine_alone(cluster, night, tmp_path):
    lights, local = night
    cluster.start_worker()
    cluster.start_worker("--nthreads", "3")
    done = graded(lights, tmp_path / "r", "--engine", cluster.engine)
    assert "measured 64 of 64 files" in done.stderr
    assert "measures one frame at a time" in done.stderr
    assert "light_17.fits" in done.stderr
    assert_the_same(tmp_path / "r", local)


@pytest.mark.slow
def test_results_are_the_same_while_workers_are_killed_at_random(cluster, night, tmp_path):
    """Five kills in sixty-four frames; each worker is started anew by its nanny."""
    lights, local = night
    cluster.start_worker("--nworkers", "2", nanny=True)
    ended, killed = threading.Event(), []

    def kill() -> None:
        chance, out, due = random.Random(5), tmp_path / "r" / MEASURED, 4
        while not ended.wait(0.02) and len(killed) < 5:
            if len(list(out.glob("*.kept"))) >= due:
                pids = [pid for pid in cluster.worker_pids() if isinstance(pid, int)]
                if pids:
                    killed.append(chance.choice(pids))
                    os.kill(killed[-1], signal.SIGKILL)
                    due += 10

    killer = threading.Thread(target=kill)
    killer.start()
    try:
        done = graded(lights, tmp_path / "r", "--engine", cluster.engine)
    finally:
        ended.set()
        killer.join()
    assert len(killed) >= 3
    assert "died" not in done.stderr
    assert_the_same(tmp_path / "r", local)


@pytest.mark.slow
def test_outcomes_and_errors_are_those_of_local_processes(cluster, tmp_path):
    cluster.start_worker()
    cluster.start_worker()
    paths = [tmp_path / name for name in ("a", "bad", "odd", "large", "b", "c")]
    ours = dict(measure_on_cluster(paths, pretend, cluster.address))
    local = dict(measure_each(paths, pretend, 1))
    for failure in (ours[tmp_path / "odd"], local[tmp_path / "odd"]):
        assert "in pretend" in failure.trace
        object.__setattr__(failure, "trace", "")
    assert ours == local


# what dies


@pytest.mark.slow
@pytest.mark.parametrize("port", ["", "kept"])
def test_a_frame_that_kills_its_worker_costs_only_itself(cluster, tmp_path, port):
    """With a port of its own a worker that was started anew has the address of the dead one."""
    fixed = [["--worker-port", str(cluster.port + k)] for k in (1, 2)] if port else [[], []]
    for options in fixed:
        cluster.start_worker(*options, nanny=True)
    names = ["a", "b", "crash", "c", "once", *(f"d{k}" for k in range(20))]
    found = dict(measure_on_cluster([tmp_path / n for n in names], pretend, cluster.address))
    found = {path.name: outcome for path, outcome in found.items()}
    assert set(found) == set(names)
    died = found.pop("crash")
    assert (died.kind, died.cause) == ("died", "the measuring process died on this file, twice")
    assert found.pop("once") == "second time"
    assert all(name == outcome for name, outcome in found.items())


def slowly(path: Path) -> str:
    """A frame that takes a while, and a line in a file of those that were begun."""
    with (Path(path).parent / "begun").open("a") as stream:
        stream.write(f"{Path(path).name}\n")
    time.sleep(0.3)
    return Path(path).name


@pytest.mark.slow
def test_workers_may_all_leave_and_others_come(cluster, tmp_path):
    """Killed, or ended, while they measure: nothing is blamed, and whoever comes goes on."""
    both = [cluster.start_worker(), cluster.start_worker()]
    lines, found = [], {}
    for path, outcome in measure_on_cluster(
        [tmp_path / f"f{k}" for k in range(30)], slowly, cluster.address, lines.append
    ):
        found[path.name] = outcome
        if len(found) == 8:
            cluster.kill(both[0])
            both[1].terminate()  # takes its leave
            threading.Timer(4.0, cluster.start_worker).start()
    assert found == {f"f{k}": f"f{k}" for k in range(30)}
    assert any("has left" in line for line in lines)
    assert any("no worker can measure now; waiting up to 10 minutes" in line for line in lines)


@pytest.mark.slow
def test_the_scheduler_may_be_started_anew(cluster, tmp_path):
    """What was measured is not measured again, what was under way is."""
    cluster.start_worker()
    lines, found = [], {}
    for path, outcome in measure_on_cluster(
        [tmp_path / f"f{k}" for k in range(20)], slowly, cluster.address, lines.append
    ):
        found[path.name] = outcome
        if len(found) == 6:
            cluster.kill(cluster.scheduler)
            cluster.start_scheduler()
            cluster.start_worker()
    assert found == {f"f{k}": f"f{k}" for k in range(20)}
    assert any("the scheduler does not answer any more" in line for line in lines)
    begun = (tmp_path / "begun").read_text().split()
    assert 20 <= len(begun) <= 20 + 4


@pytest.mark.slow
def test_after_a_scheduler_was_lost_kept_frames_are_not_measured_again(cluster, night, tmp_path):
    lights, local = night
    cluster.start_worker()
    out = tmp_path / "r"
    done = threading.Thread(target=graded, args=(lights, out, "--engine", cluster.engine))
    done.start()
    while done.is_alive() and len(list((out / MEASURED).glob("*.kept"))) < 20:
        time.sleep(0.02)
    cluster.kill(cluster.scheduler)
    time.sleep(2.0)
    before = {p: p.stat().st_mtime_ns for p in (out / MEASURED).glob("*.kept")}
    assert 20 <= len(before) < 63
    cluster.start_scheduler()
    cluster.start_worker()
    done.join()
    assert {p: p.stat().st_mtime_ns for p in before} == before
    assert_the_same(out, local)


@pytest.mark.slow
def test_a_scheduler_that_stays_away_ends_the_run(cluster, tmp_path, monkeypatch):
    cluster.start_worker()
    asked = measure_on_cluster(
        [tmp_path / f"f{k}" for k in range(20)], slowly, cluster.address, lambda text: None
    )
    next(asked)
    monkeypatch.setattr(cluster_run, "WAIT_S", 3.0)
    cluster.kill(cluster.scheduler)
    with pytest.raises(NothingToGrade, match=r"did not answer.*What was measured is kept"):
        list(asked)


@pytest.mark.slow
def test_without_a_worker_a_run_waits_and_then_ends(cluster, tmp_path, monkeypatch):
    monkeypatch.setattr(cluster_run, "WAIT_S", 4.0)
    lines = []
    with pytest.raises(NothingToGrade, match=r"no worker of .* measured"):
        list(measure_on_cluster([tmp_path / "a"], slowly, cluster.address, lines.append))
    assert lines[0].startswith("no worker can measure now; waiting")


def hangs_once(path: Path) -> str:
    """Hang on the frame "hang" the first time, on "ever" every time."""
    path = Path(path)
    mark = path.parent / f"{path.name}.mark"
    if path.name == "ever" or (path.name == "hang" and not mark.exists()):
        mark.write_text("")
        time.sleep(600)
    return path.name


@pytest.mark.slow
def test_a_worker_that_hangs_is_passed_by(cluster, tmp_path, monkeypatch):
    monkeypatch.setattr(cluster_run, "FRAME_S", 3.0)
    for _ in range(4):
        cluster.start_worker()
    names = ["a", "hang", "b", "ever", *(f"c{k}" for k in range(10))]
    found = dict(measure_on_cluster([tmp_path / n for n in names], hangs_once, cluster.address))
    found = {path.name: outcome for path, outcome in found.items()}
    failure = found.pop("ever")
    assert isinstance(failure, Failure)
    assert failure.kind == "died"
    assert "did not end" in failure.cause
    assert found == {name: name for name in names if name != "ever"}


@pytest.mark.slow
def test_a_frame_that_changed_or_went_meanwhile_is_no_fault_of_the_workers(cluster, tmp_path):
    """What came of it is what a local process would find, and the worker is used on."""
    lights = write_night(tmp_path / "lights", 5)
    paths = sorted(lights.iterdir())
    identities = {path: file_identity(path) for path in paths}
    paths[1].unlink()
    shutil.copy(paths[0], paths[2])
    settings = Settings((str(lights),), str(tmp_path / "r"))
    measure = MeasureFile(measurement_cache(settings), None, (None, None, None))
    cluster.start_worker()
    lines = []
    found = dict(
        measure_on_cluster(
            paths, measure, cluster.address, lines.append, identities=dict(identities)
        )
    )
    local = dict(measure_each(paths, measure, 1))
    assert found[paths[1]] == local[paths[1]]
    assert "No such file" in found[paths[1]].cause
    assert [found[p].key for p in paths if p != paths[1]] == [
        local[p].key for p in paths if p != paths[1]
    ]
    assert not any("is not used" in line for line in lines)


# who is unfit


@pytest.mark.slow
def test_a_worker_of_another_version_is_named_with_both(cluster, tmp_path):
    """Alone it ends the run at once; beside a fit one it is left out."""
    other = tmp_path / "other"
    shutil.copytree(ROOT / "subgrade", other / "subgrade")
    start = other / "subgrade" / "__init__.py"
    start.write_text(start.read_text().replace('__version__ = "', '__version__ = "9.'))
    cluster.start_worker(path=other)
    paths = [tmp_path / f"f{k}" for k in range(6)]
    with pytest.raises(UsageError) as error:
        list(measure_on_cluster(paths, slowly, cluster.address))
    import subgrade

    here = subgrade.__version__
    assert f"subgrade 9.{here} (here {here})" in str(error.value)
    assert not (tmp_path / "begun").exists()
    shutil.rmtree(other / "subgrade" / "cluster")  # as in a version that knew of none
    cluster.start_worker(path=other)
    cluster.start_worker()
    while len(cluster.worker_pids()) < 3:
        time.sleep(0.2)
    lines = []
    found = dict(measure_on_cluster(paths, slowly, cluster.address, lines.append))
    assert not any("has left" in line for line in lines)
    assert all(path.name == outcome for path, outcome in found.items())


def hidden(folder: Path) -> tuple[str, ...]:
    """A command in whose eyes a folder is an empty one, as on a machine without the share."""
    script = f'mount -t tmpfs none "{folder}" && exec "$@"'
    command = ("unshare", "--mount", "sh", "-c", script, "sh")
    try:
        works = subprocess.run([*command, "true"], capture_output=True).returncode == 0
    except OSError:
        works = False
    if not works:
        pytest.skip("needs the right to mount in a namespace of its own")
    return command


@pytest.mark.slow
def test_a_worker_that_does_not_see_the_lights_is_named(cluster, night, tmp_path):
    lights, local = night
    blind = hidden(lights)
    cluster.start_worker(before=blind)
    done = graded(lights, tmp_path / "r", "--engine", cluster.engine, code=2)
    assert "light_00.fits is not there" in done.stderr
    assert "no worker can be used" in done.stderr
    cluster.start_worker()
    graded(lights, tmp_path / "r", "--engine", cluster.engine)
    assert_the_same(tmp_path / "r", local)


@pytest.mark.slow
def test_a_worker_that_does_not_see_the_results_sends_them(cluster, night, tmp_path):
    """Nothing is written, and no folder made, where it runs."""
    lights, local = night
    place = tmp_path / "shared"
    place.mkdir()
    worker = cluster.start_worker(before=hidden(place))
    graded(lights, place / "r", "--engine", cluster.engine)
    assert list(Path(f"/proc/{worker.pid}/root{place}").iterdir()) == []
    assert_the_same(place / "r", local)


@pytest.mark.slow
def test_no_more_workers_than_asked_for(cluster, tmp_path):
    for _ in range(3):
        cluster.start_worker()
    while len(cluster.worker_pids()) < 3:
        time.sleep(0.2)
    paths = [tmp_path / f"f{k}" for k in range(8)]
    found = {o for _, o in measure_on_cluster(paths, own_number, cluster.address, most=2)}
    assert len(found) == 2


def own_number(path: Path) -> int:
    time.sleep(0.5)
    return os.getpid()


@pytest.mark.slow
def test_ctrl_c_keeps_what_is_measured(cluster, night, tmp_path):
    lights, local = night
    cluster.start_worker()
    out = tmp_path / "r"
    process = subprocess.Popen(
        [*COMMAND, "grade", str(lights), "--out", str(out), "--engine", cluster.engine],
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    while process.poll() is None and len(list((out / MEASURED).glob("*.kept"))) < 5:
        time.sleep(0.01)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "run the same command again" in err
    assert "Traceback" not in err
    kept = len(list((out / MEASURED).glob("*.kept")))
    assert 5 <= kept < 60
    assert not list((out / MEASURED).glob(".*"))
    done = graded(lights, out, "--engine", cluster.engine)
    assert f"measured {kept} of 64 files, {kept} of them earlier" in done.stderr
    assert_the_same(out, local)
