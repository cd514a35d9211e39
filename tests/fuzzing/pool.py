"""Children that are watched: for time, for memory, and for dying."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import time
from collections.abc import Callable, Iterator, Sequence
from multiprocessing.connection import wait
from pathlib import Path

from tests.fuzzing.cases import Outcome

SLOWEST_S = 20.0
MOST_MEMORY = 1_500_000_000
"""Bytes of address space above what a child has when it starts."""


class Child:
    """One process that gives case after case to the program."""

    def __init__(self, give: Callable[[int], Outcome]):
        context = multiprocessing.get_context("fork")
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=_work, args=(theirs, give), daemon=True)
        self.process.start()
        theirs.close()
        self.number: int | None = None
        self.since = 0.0

    def give(self, number: int) -> None:
        self.number, self.since = number, time.monotonic()
        self.pipe.send(number)

    def answer(self) -> Outcome:
        """What came of the case; a child that died is reported as such."""
        try:
            return self.pipe.recv()
        except (EOFError, OSError):
            self.process.join()
            return Outcome("crash", f"the process ended with {self.process.exitcode}")

    def end(self) -> None:
        """Stop the process, whatever it does."""
        self.pipe.close()
        self.process.kill()
        self.process.join()


def outcomes(
    numbers: Sequence[int],
    give: Callable[[int], Outcome],
    children: int = 2,
    slowest_s: float = SLOWEST_S,
) -> Iterator[tuple[int, Outcome, float]]:
    """Number, outcome and seconds of every case, in the order they end.

    Parameters
    ----------
    numbers : sequence of int
    give : callable
        From a number to its outcome; runs in the children.
    children : int
    slowest_s : float
        After so many seconds a case counts as hung and its process is ended.
    """
    waiting = list(reversed(numbers))
    busy: list[Child] = []
    try:
        while waiting or busy:
            while waiting and len(busy) < children:
                busy.append(Child(give))
                busy[-1].give(waiting.pop())
            ready = wait([c.pipe for c in busy], timeout=0.2)
            for child in list(busy):
                took = time.monotonic() - child.since
                if child.pipe in ready:
                    outcome = child.answer()
                elif took > slowest_s:
                    outcome = Outcome("hang", f"over {slowest_s:.0f} s")
                else:
                    continue
                yield child.number, outcome, took
                if child.process.is_alive() and outcome.kind != "hang" and waiting:
                    child.give(waiting.pop())
                else:
                    child.end()
                    busy.remove(child)
    finally:
        for child in busy:
            child.end()


def _work(pipe, give: Callable[[int], Outcome]) -> None:
    import faulthandler
    import warnings

    faulthandler.disable()  # the parent reports how a child died
    warnings.simplefilter("ignore")
    _bound_memory()
    # What C libraries print about damaged files is no finding.
    with open(os.devnull, "w") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        os.dup2(nowhere.fileno(), 2)
    with contextlib.suppress(EOFError, OSError, KeyboardInterrupt):
        while True:
            pipe.send(give(pipe.recv()))
    os._exit(0)


def _bound_memory() -> None:
    import resource

    state = Path("/proc/self/statm")
    if state.exists():
        pages = int(state.read_text().split()[0])
        most = pages * resource.getpagesize() + MOST_MEMORY
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
