"""Progress on stderr: a bar on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
import time
from contextlib import suppress

from subgrade.pipeline import Progress
from subgrade.plaintext import printable

LINE_EVERY_S = 10.0


def progress_for(quiet: bool) -> Progress:
    """The kind of progress that suits where stderr goes."""
    if quiet:
        return QuietProgress()
    return BarProgress() if sys.stderr.isatty() else LineProgress()


class QuietProgress(Progress):
    """Only what went wrong."""

    def warn(self, text: str) -> None:
        _line(f"subgrade: {printable(text)}")

    def advance(self, name: str, cause: str | None = None) -> None:
        if cause is not None:
            _line(f"could not be graded: {printable(name)}: {cause}")


class LineProgress(QuietProgress):
    """A line at every tenth, or every ten seconds, whichever is later to come."""

    def say(self, text: str) -> None:
        _line(printable(text))

    def start(self, total: int, cached: int) -> None:
        self._total, self._done, self._shown = total, cached, cached
        self._last = time.monotonic()
        earlier = f", {cached} of them earlier" if cached else ""
        _line(f"measured {cached} of {total} files{earlier}")

    def advance(self, name: str, cause: str | None = None) -> None:
        super().advance(name, cause)
        self._done += 1
        due = self._done - self._shown >= max(1, self._total // 10)
        if due or self._done == self._total or time.monotonic() - self._last > LINE_EVERY_S:
            self._shown, self._last = self._done, time.monotonic()
            _line(f"measured {self._done} of {self._total} files")


class BarProgress(QuietProgress):
    """A bar with the time left."""

    def __init__(self):
        from rich.console import Console

        self._console = Console(stderr=True, highlight=False)
        self._bar = None

    def say(self, text: str) -> None:
        self._console.print(printable(text), markup=False)

    def start(self, total: int, cached: int) -> None:
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
        from rich.progress import Progress as Bar

        self._bar = Bar(
            TextColumn("measuring"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(),
            console=self._console,
            transient=True,
        )
        self._task = self._bar.add_task("measuring", total=total, completed=cached)
        self._bar.start()

    def advance(self, name: str, cause: str | None = None) -> None:
        if cause is not None:
            self.say(f"could not be graded: {printable(name)}: {cause}")
        self._bar.advance(self._task)

    def stop(self) -> None:
        if self._bar is not None:
            self._bar.stop()


def _line(text: str) -> None:
    # no message is worth the run: stderr may be full or closed
    with suppress(OSError):
        print(text, file=sys.stderr, flush=True)
