"""Start measuring processes fast, with every kernel in memory before the first file."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from multiprocessing.sharedctypes import Synchronized

METHOD = "forkserver" if sys.platform.startswith("linux") else "spawn"
"""On Linux processes are forked from one that has loaded the measuring code and has no threads;
elsewhere forking is not safe with the system's own libraries, and each loads it by itself."""
TEMPLATE = "subgrade.worker_imports"
LOOK_EVERY_S = 0.1
"""How often a process that gets ready is asked whether it compiles."""


class Pool:
    """Measuring processes.

    Parameters
    ----------
    workers : int
    announce : callable, optional
        Called, perhaps more than once, if the measuring code has to be compiled.

    Attributes
    ----------
    executor : ProcessPoolExecutor
    """

    def __init__(self, workers: int, announce: Callable[[], None] = lambda: None) -> None:
        self.workers = workers
        context = multiprocessing.get_context(METHOD)
        if METHOD == "forkserver":
            context.set_forkserver_preload([TEMPLATE])
        self._announce = announce
        self._compiling = context.RawValue("b", 0)
        turn = context.RawValue("i", 0)
        start = {"initializer": start_worker, "initargs": (self._compiling, turn)}
        with _interrupts_ignored():  # its locks have a process that looks after them
            self.executor = ProcessPoolExecutor(workers, mp_context=context, **start)
        self._first = self.submit(_nothing)

    def submit(self, call: Callable, *arguments: object) -> Future:
        """Have a process call something; raises BrokenProcessPool where none is left."""
        with _interrupts_ignored(), _main_out_of_sight():
            return self.executor.submit(call, *arguments)

    def wait_until_ready(self) -> None:
        """Wait for the first process to be ready, or to fail, and announce compiling."""
        while not wait([self._first], timeout=LOOK_EVERY_S).done:
            if self._compiling.value:
                self._announce()

    @property
    def ever_ran(self) -> bool:
        """Whether so much as an empty task ran."""
        return self._first.done() and self._first.exception() is None

    def close(self) -> None:
        """Let running files end and the processes with them."""
        self.executor.shutdown(wait=True, cancel_futures=True)


def _nothing() -> None:
    """A task that runs if any does."""


def start_worker(compiling: Synchronized, turn: Synchronized) -> None:
    """Ctrl-C is the parent's to handle; a worker finishes its file."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    from subgrade.stars import warm_up

    def report() -> None:
        compiling.value = 1

    # two that start at once may draw the same number: then both do all the compiling
    turn.value += 1
    warm_up(report, last_first=turn.value % 2 == 0)


def _end_with_parent() -> None:
    """A worker whose run was killed would wait for its next file for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Processes started inside ignore Ctrl-C, and a terminal that closes, from their start on."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    # blocked, and not ignored: this process gets it afterwards, those started inside never do
    closed = {signal.SIGHUP} if hasattr(signal, "SIGHUP") else set()
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, closed) if closed else None
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if mask is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)


@contextmanager
def _main_out_of_sight() -> Iterator[None]:
    """Processes started inside do not run the script that started this one once more.

    Nothing that they do is in it, and a script of a few lines calls `grade` at its outermost level.
    """
    main = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = main
