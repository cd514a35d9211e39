"""Which frame goes to which worker, and what it means when one dies, leaves or hangs."""

from __future__ import annotations

import os
import pickle
import time
from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from subgrade.cluster import tasks
from subgrade.cluster.alike import differences, everywhere, marked, samples, time_of
from subgrade.cluster.link import Broken, Came, Link, NoScheduler, Version, Workers
from subgrade.errors import NothingToGrade, ResultsError, UsageError
from subgrade.results.file_identity import FileIdentity, file_identity
from subgrade.workers import CRASH, DIED, Failure, guarded

DEPTH = 2
"""Frames that a worker has: one it measures, and one that waits behind while answers travel."""
WAIT_S = 600.0
"""How long a run waits while no worker measures, or no scheduler answers, before it gives up."""
FRAME_S = 900.0
"""How long a worker may take for a frame before another tries it: a hundred times the largest."""
LOOKED_AGAIN_S = 30.0
"""How soon a worker that does not see the files is looked over again."""
FINISH_S = 120.0
"""How long frames being measured are waited for after Ctrl-C."""
RECONNECT_S = 2.0
TICK_S = 0.25
TWICE = 2
KEPT = "What was measured is kept: run the same command again to go on from there"

NEW, ASKED, READY, UNFIT, STUCK = "new", "asked", "ready", "unfit", "stuck"


@dataclass(eq=False, slots=True)
class Job:
    """A frame that a worker has.

    ``alone`` where nothing else was given to the worker beside it, ``late`` where it was given up
    on: another worker may have it by now; ``future`` is what `Link.ask` gave, and holds the task
    as long as it is held.
    """

    path: Path
    worker: str
    alone: bool
    since: float
    future: object = None
    late: bool = False


@dataclass(eq=False, slots=True)
class Worker:
    """A worker process, and what it has to do."""

    address: str
    state: str = NEW
    process: str = ""
    since: float = 0.0
    jobs: list[Job] = field(default_factory=list)


def measure_on_cluster(
    paths: Sequence[Path],
    measure: Callable,
    address: str,
    say: Callable[[str], None] = lambda text: None,
    most: int | None = None,
    identities: Mapping[Path, FileIdentity] | None = None,
) -> Iterator[tuple[Path, object]]:
    """Call ``measure(path)`` for every path, each on a worker of a cluster.

    Parameters
    ----------
    paths : sequence of Path
    measure : callable
        As for `subgrade.workers.measure_each`; `subgrade.measuring.MeasureFile` keeps what it
        measured in the folder of its cache, through this process where a worker does not see it.
    address : str
        Of the scheduler, as `subgrade.cluster.scheduler_address` gives it.
    say : callable
        Takes a line for the user.
    most : int, optional
        Workers to use at once; all if not given.
    identities : mapping of Path to FileIdentity, optional
        What is known of the files already.

    Yields
    ------
    path : Path
    outcome
        What ``measure`` returned, or a `Failure`.

    Raises
    ------
    UsageError
        If no scheduler answers, or every worker it has is unfit.
    NothingToGrade
        If no worker measures for `WAIT_S`, or the scheduler is gone as long.

    Notes
    -----
    On KeyboardInterrupt frames being measured are waited for, and kept, as
    `subgrade.workers.measure_each` does.
    """
    if not paths:
        return
    with marked(getattr(measure, "cache", None)) as mark:
        run = Run(paths, measure, address, say, most, identities or {}, mark)
        try:
            yield from run.outcomes()
        except (KeyboardInterrupt, GeneratorExit):
            run.let_finish()
            raise
        finally:
            run.link.close()


class Run:
    """One run's frames and workers."""

    def __init__(
        self,
        paths: Sequence[Path],
        measure: Callable,
        address: str,
        say: Callable[[str], None],
        most: int | None,
        identities: Mapping[Path, FileIdentity],
        mark: str,
    ) -> None:
        self._address, self._say, self._most = address, say, most
        self._known, self._mark = identities, mark
        self._cache = getattr(measure, "cache", None)
        self._begun = time_of(self._cache.folder / mark) if mark else 0
        self._measure = everywhere(measure)
        self._sent = pickle.dumps(self._measure)
        self._program = tasks.program_here()
        self._open = dict.fromkeys(paths)
        self._waiting, self._suspects = deque(self._open), deque()
        self._workers: dict[str, Worker] = {}
        self._given: set[Path] = set()
        self._deaths, self._hangs, self._odd = Counter(), Counter(), Counter()
        self._unfit_why: dict[str, str] = {}
        self._ever_ready = self._threads_shown = False
        self._moved = time.monotonic()
        self._wait_shown = False
        try:
            self.link = Link(address)
        except NoScheduler as error:
            raise UsageError(
                f"--engine: no scheduler answers at {address.partition('//')[2]}: {error}"
            ) from error
        self._wanted = pickle.dumps(tasks.Wanted(self._program, samples(paths, measure)))

    def outcomes(self) -> Iterator[tuple[Path, object]]:
        """Every path with what came of it, in the order that they are measured in."""
        while self._open:
            yield from self._give()
            event = self.link.event(TICK_S)
            if isinstance(event, Came):
                yield from self._settled(event)
            elif isinstance(event, Version):
                self._version_known(event.tag, event.text)
            elif isinstance(event, Workers):
                yield from self._seen(event.threads)
            elif isinstance(event, Broken):
                self._reconnect()
            yield from self._look_for_hangs()
            self._look_for_a_standstill()

    def let_finish(self) -> None:
        """Wait for the frames being measured, and keep them; those behind are not begun."""
        behind = [job for worker in self._workers.values() for job in worker.jobs[1:]]
        self.link.cancel(job.future for job in behind)
        heads = (worker.jobs[0] for worker in self._workers.values() if worker.jobs)
        running = {job for job in heads if not job.late}
        deadline = time.monotonic() + FINISH_S
        while running and time.monotonic() < deadline:
            event = self.link.event(TICK_S)
            if isinstance(event, Came) and event.tag in running:
                running.discard(event.tag)
                if event.answer:
                    self._kept(pickle.loads(event.answer))
            elif isinstance(event, Workers):
                running = {job for job in running if job.worker in event.threads}
            elif isinstance(event, Broken):
                return

    # workers

    def _seen(self, threads: dict[str, int]) -> Iterator[tuple[Path, object]]:
        """Take the workers that there are now, and see who has left."""
        for address in [a for a in self._workers if a not in threads]:
            worker = self._workers.pop(address)
            if worker.jobs:
                self._say(f"worker {address} has left; its frames go to others")
            yield from self._lost(worker)
        for address in threads:
            if address not in self._workers:
                self._workers[address] = Worker(address)
                if threads[address] > 1 and not self._threads_shown:
                    self._threads_shown = True
                    self._say(
                        f"a worker with several threads, as {address}, measures one frame at a "
                        "time all the same: start as many workers of one thread each"
                    )
        now = time.monotonic()
        for worker in self._workers.values():
            if worker.state == UNFIT and worker.since and now - worker.since > LOOKED_AGAIN_S:
                worker.state = NEW
        used = sum(w.state in (ASKED, READY, STUCK) for w in self._workers.values())
        for worker in self._workers.values():
            if worker.state == NEW and (self._most is None or used < self._most):
                self._look_over(worker)
                used += 1

    def _look_over(self, worker: Worker) -> None:
        worker.state, worker.since = ASKED, time.monotonic()
        self.link.ask_version(worker.address, worker)

    def _version_known(self, worker: Worker, version: str) -> None:
        if self._workers.get(worker.address) is not worker or worker.state != ASKED:
            return
        here = self._program["subgrade"]
        if version == here:
            self.link.ask(worker.address, tasks.prepare, self._wanted, tag=worker)
        elif version:
            self._unfit(worker, f"it has subgrade {version} (here {here})")
        else:
            worker.state = NEW

    def _looked_over(self, worker: Worker, came: Came) -> None:
        if self._workers.get(worker.address) is not worker or worker.state != ASKED:
            return
        if not came.answer:
            if came.cause:
                why = f"subgrade cannot be loaded there or on its scheduler ({came.cause})"
                self._unfit(worker, why)
            else:
                worker.state = NEW
            return
        found: tasks.Prepared = pickle.loads(came.answer)
        other = differences(found.program, self._program)
        if other:
            self._unfit(worker, f"it has {other}")
        elif found.unseen:
            self._unfit(worker, f"of the files of this run, {found.unseen}", again=True)
        else:
            if not self._ever_ready:
                self._say(f"measuring on the workers of {self._address}")
            worker.state, worker.process = READY, found.process
            self._ever_ready = True
            self._moved_on()

    def _unfit(self, worker: Worker, why: str, again: bool = False) -> None:
        worker.state, worker.since = UNFIT, time.monotonic() if again else 0.0
        if why not in self._unfit_why:
            self._unfit_why[why] = f"worker {worker.address} is not used: {why}"
            self._say(self._unfit_why[why])

    # frames

    def _give(self) -> Iterator[tuple[Path, object]]:
        """Give every worker that has room its next frame; suspects only to an idle one, alone."""
        for worker in self._workers.values():
            if worker.state != READY or any(job.alone for job in worker.jobs):
                continue
            while len(worker.jobs) < DEPTH:
                alone = bool(self._suspects)
                if alone and worker.jobs:
                    break
                path = self._next(self._suspects if alone else self._waiting)
                if path is None:
                    break
                known = self._known_here(path)
                if known is not None:
                    yield from self._done(path, known)
                    continue
                self._ask(worker, path, alone)
                if alone:
                    break

    def _next(self, queue: deque[Path]) -> Path | None:
        while queue:
            path = queue.popleft()
            if path in self._open:
                return path
        return None

    def _ask(self, worker: Worker, path: Path, alone: bool) -> None:
        identity = self._identity(path)
        key = self._cache.key(path, identity) if self._cache is not None else ""
        where = os.path.abspath(path)
        asked = tasks.Asked(where, identity, key, worker.process, self._mark)
        job = Job(path, worker.address, alone, time.monotonic())
        worker.jobs.append(job)
        self._given.add(path)
        job.future = self.link.ask(
            worker.address, tasks.measure_frame, self._sent, pickle.dumps(asked), tag=job
        )

    def _identity(self, path: Path) -> FileIdentity | None:
        return self._known.get(path) or file_identity(path)

    def _known_here(self, path: Path) -> object | None:
        """What need not be asked of a worker: a file that is gone, or that one has just kept."""
        if self._cache is None:
            return None
        identity = self._identity(path)
        if identity is None:
            return self._measured_here(path)
        if path not in self._given or not self._mark:
            return None
        # a worker whose answer was lost may have kept it
        from subgrade.measuring import Measured

        key = self._cache.key(path, identity)
        if not self._begun <= self._cache.kept_at(key):
            return None
        kept = self._cache.load(key)
        whole = kept is not None and (kept[1] is None or self._cache.has_pictures(key))
        return Measured(*kept, key) if whole else None

    def _measured_here(self, path: Path) -> object:
        return guarded(self._measure, Path(os.path.abspath(path)))

    def _settled(self, came: Came) -> Iterator[tuple[Path, object]]:
        """Act on what came of a task."""
        if isinstance(came.tag, Worker):
            self._looked_over(came.tag, came)
            return
        job: Job = came.tag
        worker = self._workers.get(job.worker)
        if worker is None or job not in worker.jobs:
            return  # it was lost, and is measured elsewhere
        worker.jobs.remove(job)
        for behind in worker.jobs[:1]:
            behind.since = time.monotonic()
        if worker.state == STUCK and not any(other.late for other in worker.jobs):
            worker.state = READY
        answer = pickle.loads(came.answer) if came.answer else None
        if came.killed or (answer and answer.stranger):
            # the process that was looked over is gone, and another has its address
            if worker.state in (READY, STUCK):
                worker.state = NEW
            yield from self._suspected(job)
        elif answer is None:
            yield from self._lost_answer(job, came.cause)
        elif answer.unseen:
            yield from self._unseen(worker, job, answer.unseen)
        else:
            self._moved_on()
            yield from self._done(job.path, self._kept(answer))

    def _done(self, path: Path, outcome: object) -> Iterator[tuple[Path, object]]:
        if path in self._open:  # a worker that was given up on may answer after another
            del self._open[path]
            if isinstance(outcome, Failure):
                outcome = replace(outcome, path=path)
            yield path, outcome

    def _kept(self, answer: tasks.Answer) -> object:
        """Keep what the worker could not, and give what it measured."""
        for name, content in answer.files:
            try:
                self._cache.write(name, content)
            except ResultsError as error:
                if hasattr(answer.outcome, "unkept") and name.endswith(".kept"):
                    return replace(answer.outcome, unkept=str(error))
        return answer.outcome

    def _unseen(self, worker: Worker, job: Job, why: str) -> Iterator[tuple[Path, object]]:
        """The worker sees another file than was found here: one of the two has changed."""
        identity = self._known.get(job.path)
        if identity is not None and identity.unlike(job.path):
            yield from self._done(job.path, self._measured_here(job.path))
            return
        self._waiting.appendleft(job.path)
        if worker.state == READY:
            self._unfit(worker, f"{job.path} {why}", again=True)

    def _lost_answer(self, job: Job, cause: str) -> Iterator[tuple[Path, object]]:
        if cause:
            self._odd[job.path] += 1
            if self._odd[job.path] > TWICE:
                words = f"its measurement could not be sent from the worker ({cause})"
                yield from self._done(job.path, Failure(job.path, words, CRASH))
                return
        self._waiting.appendleft(job.path)

    # what goes wrong

    def _lost(self, worker: Worker) -> Iterator[tuple[Path, object]]:
        """A worker is gone: whichever frame it measured may have killed it."""
        self.link.cancel(job.future for job in worker.jobs)
        for job in worker.jobs:
            if not job.late:
                yield from self._suspected(job)

    def _suspected(self, job: Job) -> Iterator[tuple[Path, object]]:
        # one that only waited behind the frame that killed its worker has its two tries alone
        if job.alone:
            self._deaths[job.path] += 1
        if self._deaths[job.path] >= TWICE:
            words = "the measuring process died on this file, twice"
            yield from self._done(job.path, Failure(job.path, words, DIED))
        else:
            self._suspects.append(job.path)

    def _look_for_hangs(self) -> Iterator[tuple[Path, object]]:
        now = time.monotonic()
        for worker in self._workers.values():
            if worker.state != READY or not worker.jobs or now - worker.jobs[0].since < FRAME_S:
                continue
            worker.state = STUCK
            first, *behind = worker.jobs
            minutes = round(FRAME_S / 60)
            self._say(
                f"worker {worker.address} has measured {first.path.name} for {minutes} minutes: "
                "its frames go to others"
            )
            for job in worker.jobs:
                job.late = True
            self._waiting.extendleft(job.path for job in behind)
            self._hangs[first.path] += 1
            if self._hangs[first.path] >= TWICE:
                words = f"measuring it did not end within {minutes} minutes, twice"
                yield from self._done(first.path, Failure(first.path, words, DIED))
            else:
                self._suspects.append(first.path)

    def _look_for_a_standstill(self) -> None:
        states = {worker.state for worker in self._workers.values()}
        if READY in states:
            self._moved_on()
            return
        if not self._ever_ready and states == {UNFIT}:
            reasons = "\n  ".join(self._unfit_why.values())
            raise UsageError(f"--engine: no worker can be used\n  {reasons}")
        waited = time.monotonic() - self._moved
        if waited > WAIT_S:
            why = "".join(f"; {reason}" for reason in self._unfit_why.values())
            raise NothingToGrade(
                f"no worker of {self._address} measured for {round(WAIT_S / 60)} minutes{why}. "
                f"{KEPT}"
            )
        if waited > 10 * TICK_S and not self._wait_shown:
            self._wait_shown = True
            limit = f"up to {round(WAIT_S / 60)} minutes"
            if ASKED in states:
                text = "the workers are getting ready: the first time they compile the measuring "
                self._say(f"{text}code, or they are busy with other work (waiting {limit})")
            else:
                self._say(f"no worker can measure now; waiting {limit} for one")

    def _moved_on(self) -> None:
        self._moved, self._wait_shown = time.monotonic(), False

    def _reconnect(self) -> None:
        """Meet the scheduler again, or the one in its place; nothing that ran is blamed."""
        self._say("the scheduler does not answer any more; waiting for it")
        self.link.close()
        for worker in self._workers.values():
            self._waiting.extendleft(job.path for job in reversed(worker.jobs) if not job.late)
        self._workers.clear()
        deadline = time.monotonic() + WAIT_S
        while True:
            try:
                self.link = Link(self._address)
                break
            except NoScheduler as error:
                if time.monotonic() > deadline:
                    raise NothingToGrade(
                        f"the scheduler {self._address} did not answer for "
                        f"{round(WAIT_S / 60)} minutes. {KEPT}"
                    ) from error
            time.sleep(RECONNECT_S)
        self._moved_on()
