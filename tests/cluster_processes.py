"""A cluster on this machine: a scheduler and workers in processes of their own, to be killed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
STARTS_S = 90.0


class Cluster:
    """A scheduler and its workers; everything it started ends with it.

    Parameters
    ----------
    folder : Path
        For its files; logs stay there.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._started: list[subprocess.Popen] = []
        self.scheduler: subprocess.Popen | None = None
        self.port = 0

    def __enter__(self) -> Cluster:
        self.start_scheduler()
        return self

    def __exit__(self, *error: object) -> None:
        for process in self._started:
            with suppress(OSError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self.port}"

    @property
    def engine(self) -> str:
        return f"dask://127.0.0.1:{self.port}"

    def start_scheduler(self) -> None:
        """Start a scheduler, on the port of the one before if there was one."""
        known = self.folder / "scheduler.json"
        known.unlink(missing_ok=True)
        options = ["--host", "127.0.0.1", "--port", str(self.port), "--scheduler-file", str(known)]
        self.scheduler = self._start("scheduler", *options)
        deadline = time.monotonic() + STARTS_S
        while True:
            with suppress(OSError, ValueError):
                address = json.loads(known.read_text())["address"]
                self.port = int(address.rpartition(":")[2])
                return
            assert time.monotonic() < deadline
            assert self.scheduler.poll() is None
            time.sleep(0.05)

    def start_worker(
        self, *options: str, nanny: bool = False, path: Path = ROOT, before: tuple[str, ...] = ()
    ) -> subprocess.Popen:
        """Start a worker.

        Parameters
        ----------
        *options
            Of ``dask worker``.
        nanny : bool
            Whether another process starts it anew when it dies.
        path : Path
            Where its subgrade is.
        before : tuple of str
            A command that runs it.
        """
        few = [] if "--nthreads" in options else ["--nthreads", "1"]
        kind = "--nanny" if nanny else "--no-nanny"
        place = ["--local-directory", str(self.folder / "work")]
        return self._start(
            "worker", self.address, *few, kind, *place, *options, path=path, before=before
        )

    def _start(
        self, what: str, *options: str, path: Path = ROOT, before: tuple[str, ...] = ()
    ) -> subprocess.Popen:
        number = len(self._started)
        with (self.folder / f"{number}_{what}.log").open("w") as log:
            process = subprocess.Popen(
                [*before, sys.executable, "-m", "dask", what, "--no-dashboard", *options],
                stdout=log,
                stderr=log,
                start_new_session=True,
                cwd=self.folder,  # not where the frames are: paths must be whole
                env={**os.environ, "PYTHONPATH": str(path)},
            )
        self._started.append(process)
        return process

    def kill(self, process: subprocess.Popen) -> None:
        """Kill a process and all that it started."""
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def worker_pids(self) -> list[int]:
        """The worker processes now, as the scheduler knows them."""
        from distributed import Client

        with Client(self.address, set_as_default=False, timeout=5) as client:
            return list(client.run(os.getpid, on_error="return").values())
