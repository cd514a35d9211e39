"""The files of RESULTS follow the marks, a moment behind."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from subgrade.errors import SubgradeError
from subgrade.moving import is_locked
from subgrade.optional_parts import error_words, noting
from subgrade.report import FILE as PAGE
from subgrade.report import report_page
from subgrade.results import Graded, write_results, write_whole
from subgrade.review.journal import TABLE, MarksJournal, marks_table
from subgrade.review.model import Opened

SOON_S = 0.5
"""After the last mark: tables, lists, session."""
IDLE_S = 10.0
"""After the last mark: the page, which takes longer to make."""
RETRY_S = 2.0
TOGETHER_S = 5.0
"""Page and session of one run are written within it."""
SESSION = "session.json"

BUSY = "a cull or restore is at work; the files follow your marks when it has ended"
REGRADED = (
    "these results were graded again since this review began; your marks are kept, end the "
    "review and start it again"
)


class FollowingFiles:
    """Writes a night's results whenever its marks have changed.

    Parameters
    ----------
    opened : Opened
    journal : MarksJournal
    now : callable
        Returns the night and every mark as they are.
    changed : bool
        Whether the files already lag behind.
    """

    def __init__(
        self,
        opened: Opened,
        journal: MarksJournal,
        now: Callable[[], tuple[Graded, dict[str, str]]],
        changed: bool,
    ):
        self._opened = opened
        self._folder = opened.folder
        self._journal = journal
        self._now = now
        self._known = self._session()
        self._has_page = (self._folder / PAGE).is_file()
        self._tables_due = time.monotonic() if changed else None
        self._page_due = time.monotonic() if changed or self._page_lags() else None
        self._ready = threading.Condition()
        self._ending = False
        self.problem: str | None = None
        self._thread = threading.Thread(target=self._run, name="files that follow", daemon=True)

    def start(self) -> None:
        """Begin to follow."""
        self._thread.start()

    @property
    def regraded(self) -> bool:
        """Whether another run has written the results meanwhile."""
        return self._session() != self._known

    def marked(self) -> None:
        """The marks have changed."""
        with self._ready:
            now = time.monotonic()
            self._tables_due, self._page_due = now + SOON_S, now + IDLE_S
            self._ready.notify()

    def finish(self) -> str | None:
        """Write what is still to be written; what could not be, if anything."""
        with self._ready:
            self._ending = True
            self._ready.notify()
        self._thread.join()
        return self.problem

    def _run(self) -> None:
        while True:
            with self._ready:
                due = self._next()
                while not self._ending and (due is None or due > time.monotonic()):
                    self._ready.wait(None if due is None else max(0.0, due - time.monotonic()))
                    due = self._next()
                ending = self._ending
                tables = self._tables_due is not None
                page = self._page_due is not None and (ending or self._page_due <= time.monotonic())
                self._tables_due = None
                self._page_due = None if page else self._page_due
            if (tables or page) and not self._write(page):
                with self._ready:
                    # a step made meanwhile has set a time of its own
                    later = time.monotonic() + RETRY_S
                    self._tables_due = self._tables_due or later
                    self._page_due = self._page_due or (later if page else None)
                    if ending:
                        return
            elif ending and self._next() is None:
                return

    def _next(self) -> float | None:
        """When something is to be written."""
        return min((t for t in (self._tables_due, self._page_due) if t is not None), default=None)

    def _write(self, page: bool) -> bool:
        """Write the files; False where that must be tried again."""
        if self.regraded:
            self.problem = REGRADED
            return True
        if is_locked(self._folder):
            self.problem = BUSY
            return False
        try:
            graded, marks = self._now()
            table = marks_table(marks)
            self._journal.note_table(table)
            write_whole(self._folder / TABLE, table)
            settings = graded.settings | {"marks": str(self._folder / TABLE) if marks else None}
            graded = replace(graded, settings=settings)
            with noting(), self._opened.keeping():
                pages = {PAGE: report_page} if page and self._has_page else {}
                write_results(graded, self._folder, pages)
        except SubgradeError as error:
            self.problem = error_words(error)
            return False
        except Exception as error:
            # whatever fails, the marks are safe and the server goes on
            self.problem = f"the files could not be written: {error_words(error)}"
            return False
        finally:
            self._known = self._known if self.problem == REGRADED else self._session()
        self.problem = None
        return True

    def _page_lags(self) -> bool:
        """Whether a review was ended before the page had followed the tables."""
        with suppress(OSError):
            written = [os.stat(self._folder / name).st_mtime for name in (PAGE, SESSION)]
            return written[1] - written[0] > TOGETHER_S
        return False

    def _session(self) -> tuple[int, int] | None:
        """What tells whether session.json is the one last written or read here."""
        with suppress(OSError):
            state = os.stat(self._folder / SESSION)
            return state.st_mtime_ns, state.st_size
        return None
