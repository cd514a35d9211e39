"""The connection to a scheduler: what is asked of workers, and all that comes back in one queue.

Every task is bound to the worker that it is meant for: which frame goes where, and what a death
means, is decided in `subgrade.cluster.run` and not by the scheduler, which would blame whatever
waited behind the frame that killed a worker.
"""

from __future__ import annotations

import logging
import socket
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING

from subgrade.optional_parts import error_words

if TYPE_CHECKING:
    from distributed import Client, Future

CONNECT_S = 5.0
"""How long a scheduler may take to answer."""
LOOK_S = 0.5
"""How often the scheduler is asked which workers it has."""
FETCH_S = 60.0
"""How long an answer of some 100 kB may take from its worker to here."""
FETCHERS = 4
"""Answers fetched at once."""


class NoScheduler(Exception):
    """No scheduler answers at the address."""


@dataclass(frozen=True, slots=True)
class Workers:
    """The workers that the scheduler has now, and the threads of each."""

    threads: dict[str, int]


@dataclass(frozen=True, slots=True)
class Broken:
    """The scheduler does not answer any more."""


@dataclass(frozen=True, slots=True)
class Came:
    """What came of a task.

    Attributes
    ----------
    tag : object
        What the task was asked with.
    answer : bytes
        Empty where there is none.
    killed : bool
        Its worker died under it, as the scheduler found.
    cause : str
        What the task failed with, though it should not; empty where it is only lost.
    """

    tag: object
    answer: bytes = b""
    killed: bool = False
    cause: str = ""


@dataclass(frozen=True, slots=True)
class Version:
    """The version of subgrade of a worker, ``none`` without one; empty where it did not answer."""

    tag: object
    text: str


class Link:
    """A connection to a scheduler.

    Parameters
    ----------
    address : str
        As dask writes it, ``tcp://host:port``.

    Raises
    ------
    NoScheduler
        If none answers within `CONNECT_S`.
    """

    def __init__(self, address: str) -> None:
        self._events: SimpleQueue = SimpleQueue()
        self._log = _quiet_logs()
        self._log.__enter__()
        try:
            self._client = _connected(address)
        except BaseException:
            self._log.__exit__(None, None, None)
            raise
        self._fetchers = ThreadPoolExecutor(FETCHERS, thread_name_prefix="fetch")
        self._closed = threading.Event()
        threading.Thread(target=self._look, daemon=True, name="look").start()

    def ask(self, worker: str, call: Callable, *arguments: bytes, tag: object) -> Future | None:
        """Have one worker, and no other, call something; a `Came` follows, or a `Broken`."""
        only = {"workers": [worker], "allow_other_workers": False}
        try:
            future = self._client.submit(call, *arguments, **only, pure=False, retries=0)
            future.add_done_callback(lambda done: self._done(done, tag))
        except Exception:  # whatever a client without its scheduler raises
            self._events.put(Broken())
            return None
        return future

    def cancel(self, futures: Iterable[Future]) -> None:
        """Forget tasks; one that is running is not stopped."""
        with suppress(Exception):  # a scheduler that is gone has forgotten them
            self._client.cancel([future for future in futures if future is not None])

    def ask_version(self, worker: str, tag: object) -> None:
        """Ask a worker for its version of subgrade; a `Version` follows.

        It goes before all else: a worker that cannot load what a task is made of ends itself.
        """
        # a thread of its own: a worker that does not answer must not hold up what others answer
        threading.Thread(target=self._version, args=(worker, tag), daemon=True).start()

    def _version(self, worker: str, tag: object) -> None:
        from pydoc import ErrorDuringImport, locate  # any Python can load it

        try:
            found = self._client.run(locate, "subgrade.__version__", workers=[worker])[worker]
            self._events.put(Version(tag, found or "none"))
        except ErrorDuringImport:
            self._events.put(Version(tag, "none"))
        except Exception:
            self._events.put(Version(tag, ""))

    def event(self, timeout: float) -> Workers | Broken | Came | Version | None:
        """What comes next; None where nothing does in so many seconds."""
        with suppress(Empty):
            return self._events.get(timeout=timeout)
        return None

    def close(self) -> None:
        """Let go of the scheduler; nothing comes any more."""
        self._closed.set()
        self._fetchers.shutdown(wait=False, cancel_futures=True)
        with suppress(Exception):
            self._client.close(timeout=CONNECT_S)
        self._log.__exit__(None, None, None)

    def _look(self) -> None:
        """Report the workers as long as the scheduler answers."""
        while not self._closed.wait(LOOK_S):
            try:
                if self._client.status != "running":
                    raise NoScheduler
                self._events.put(Workers(dict(self._client.nthreads())))
            except Exception:
                if not self._closed.is_set():
                    self._events.put(Broken())
                return

    def _done(self, future: Future, tag: object) -> None:
        with suppress(RuntimeError):  # closed meanwhile
            self._fetchers.submit(self._fetch, future, tag)

    def _fetch(self, future: Future, tag: object) -> None:
        from concurrent.futures import CancelledError
        from concurrent.futures import TimeoutError as TooLate

        from distributed import TimeoutError as FetchTooLate
        from distributed.client import FutureCancelledError
        from distributed.scheduler import KilledWorker

        try:
            came = Came(tag, future.result(timeout=FETCH_S))
        except KilledWorker:
            came = Came(tag, killed=True)
        except (CancelledError, FutureCancelledError, TooLate, FetchTooLate, OSError):
            came = Came(tag)
        except Exception as error:
            came = Came(tag, cause=error_words(error))
        self._events.put(came)


def _answers(address: str) -> None:
    """Make sure that something takes calls there: dask leaves a traceback where nothing does.

    Raises
    ------
    NoScheduler
    """
    host, _, port = address.partition("//")[2].rpartition(":")
    try:
        socket.create_connection((host.strip("[]"), int(port)), CONNECT_S).close()
    except TimeoutError as error:
        raise NoScheduler(f"nothing there answers within {CONNECT_S:.0f} seconds") from error
    except OSError as error:
        raise NoScheduler(str(error.strerror or error)) from error


def _connected(address: str) -> Client:
    import dask
    from distributed import Client

    _answers(address)

    class Quiet(Client):
        def __del__(self) -> None:
            """One that met no scheduler would wait for it again, and print a traceback."""

    # a look at the scheduler must not wait longer for an answer than a person would
    limits = {"distributed.comm.timeouts.connect": CONNECT_S}
    with warnings.catch_warnings(), dask.config.set(limits):
        warnings.simplefilter("ignore")  # versions of dask that differ: what matters is checked
        try:
            return Quiet(address, timeout=CONNECT_S, set_as_default=False)
        except Exception as error:
            # of what can go wrong only this is worth a word of its own
            words = f"nothing there speaks dask within {CONNECT_S:.0f} seconds"
            if address.startswith("tls:") and isinstance(error, TypeError):
                words = "TLS needs certificates, which dask's own settings name (comm.tls)"
            raise NoScheduler(words) from error


@contextmanager
def _quiet_logs() -> Iterator[None]:
    """Keep dask's own lines off the terminal: what they report is stated in the run's own words."""
    import distributed  # noqa: F401 - makes its loggers

    names = [n for n in logging.root.manager.loggerDict if n.split(".")[0] == "distributed"]
    before = {name: logging.getLogger(name).disabled for name in names}
    for name in names:
        logging.getLogger(name).disabled = True
    try:
        yield
    finally:
        for name, disabled in before.items():
            logging.getLogger(name).disabled = disabled
