"""Measure many files at once, in processes that may crash without ending the run."""

from __future__ import annotations

import signal
import threading
import traceback
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from subgrade.errors import SubgradeError
from subgrade.installed import cores
from subgrade.optional_parts import error_words
from subgrade.processes import Pool

COMPILING = "compiling the measuring code, once on this machine…"
FILES_PER_WORKER = 2
"""Where processes cannot be forked, another takes as long to start as a few files to measure."""


UNREADABLE, CRASH, MEMORY, DIED = "unreadable", "crash", "memory", "died"
"""What made a file fail: the file itself, the program, too little memory, a process's death."""


@dataclass(frozen=True, slots=True)
class Failure:
    """A file that could not be measured, and why.

    Attributes
    ----------
    path : Path
    cause : str
    kind : str
        ``unreadable``, or ``crash``, ``memory`` or ``died`` where the file need not be damaged.
    trace : str
        Traceback of a crash.
    """

    path: Path
    cause: str
    kind: str = UNREADABLE
    trace: str = ""

    @property
    def of_the_file(self) -> bool:
        """Whether the file itself is at fault."""
        return self.kind == UNREADABLE


def default_workers(files: int) -> int:
    """Processes to use for so many files: no more than cores, and none for a handful."""
    return max(1, min(cores(), files // FILES_PER_WORKER))


def measure_each(
    paths: Sequence[Path],
    measure: Callable,
    workers: int,
    say: Callable[[str], None] = lambda text: None,
) -> Iterator[tuple[Path, object]]:
    """Call ``measure(path)`` for every path, in processes when more than one is asked for.

    Parameters
    ----------
    paths : sequence of Path
    measure : callable
        Picklable; its errors of kind `SubgradeError` become `Failure`.
    workers : int
        1 runs in this process.
    say : callable
        Takes a line for the user.

    Yields
    ------
    path : Path
    outcome
        What ``measure`` returned, or a `Failure`.

    Notes
    -----
    On KeyboardInterrupt files being measured are finished, the rest are not begun, and
    the interrupt goes on to the caller.
    """
    announced: list[str] = []

    def announce() -> None:
        if not announced:
            announced.append(COMPILING)
            say(COMPILING)

    if workers <= 1 or not paths:
        yield from _in_this_process(paths, measure, announce)
    else:
        yield from _in_processes(paths, measure, workers, say, announce)


def _in_this_process(
    paths: Sequence[Path], measure: Callable, announce: Callable[[], None]
) -> Iterator[tuple[Path, object]]:
    if paths:
        from subgrade.stars import warm_up

        warm_up(announce)
    for path in paths:
        with _interrupt_held_back():
            outcome = guarded(measure, path)
        yield path, outcome


class _NoProcesses(Exception):
    """Not even an empty task ran: the processes die at their start."""


def _in_processes(
    paths: Sequence[Path],
    measure: Callable,
    workers: int,
    say: Callable[[str], None],
    announce: Callable[[], None],
) -> Iterator[tuple[Path, object]]:
    waiting = deque(paths)
    while waiting:
        suspects: list[Path] = []
        try:
            yield from _until_crash(waiting, suspects, measure, Pool(workers, announce))
        except _NoProcesses:
            say("processes cannot be started here; measuring one file at a time")
            yield from _in_this_process([*suspects, *waiting], measure, announce)
            return
        # Whichever was being measured when a process died may have killed it: each is
        # tried again, alone.
        for path in suspects:
            yield path, _alone(path, measure)


def _until_crash(
    waiting: deque[Path], suspects: list[Path], measure: Callable, pool: Pool
) -> Iterator[tuple[Path, object]]:
    running = {}
    room = 2 * pool.workers
    try:
        while waiting or running:
            # one file waits behind each, so that no process idles while results travel
            while waiting and len(running) < room:
                future = pool.submit(guarded, measure, waiting[0])
                running[future] = waiting.popleft()
            pool.wait_until_ready()
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                path = running.pop(future)
                try:
                    outcome = future.result()
                except BrokenProcessPool:
                    suspects.append(path)
                    continue
                yield path, outcome
            if suspects:
                suspects.extend(running.values())
                break
    except BrokenProcessPool:  # raised by submit
        suspects.extend(running.values())
    finally:
        pool.close()
    if suspects and not pool.ever_ran:
        raise _NoProcesses


def _alone(path: Path, measure: Callable) -> object:
    """Measure one file in a process of its own, in a second one if the first dies."""
    # a suspect may only have waited behind the file that killed its process
    for _ in range(2):
        pool = Pool(1)
        try:
            return pool.submit(guarded, measure, path).result()
        except BrokenProcessPool:
            continue
        finally:
            pool.close()
    return Failure(path, "the measuring process died on this file, twice", DIED)


def guarded(measure: Callable, path: Path) -> object:
    """What ``measure`` returns for a file; its errors become a `Failure`."""
    try:
        return measure(path)
    except SubgradeError as error:
        return Failure(path, getattr(error, "cause", str(error)))
    except MemoryError:
        return Failure(path, "not enough memory to measure it", MEMORY)
    except Exception as error:
        # one odd file must not end a night's run, whatever a library raises on it
        words = f"subgrade itself failed while measuring it ({error_words(error)})"
        return Failure(path, words, CRASH, traceback.format_exc())


@contextmanager
def _interrupt_held_back() -> Iterator[None]:
    """Ctrl-C takes effect at the end, a second one at once."""
    # raised in the midst of compiled code it can surface as another error, taken for the file's
    # fault
    before = signal.getsignal(signal.SIGINT)
    # a job in the background ignores it, and a handler set in C cannot be put back
    deaf = before is None or before == signal.SIG_IGN
    if deaf or threading.current_thread() is not threading.main_thread():
        yield
        return
    held = []

    def hold(number: int, frame: FrameType | None) -> None:
        held.append(number)
        signal.signal(signal.SIGINT, before)

    signal.signal(signal.SIGINT, hold)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if held:
        raise KeyboardInterrupt
