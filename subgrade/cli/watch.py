"""``subgrade watch``."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from importlib.util import find_spec
from typing import TYPE_CHECKING

import click

from subgrade.cli.grade import command as grade_command
from subgrade.cli.grade import settings_of
from subgrade.cli.option_types import Number, number_option
from subgrade.plaintext import printable
from subgrade.settings import Progress

if TYPE_CHECKING:
    from types import FrameType

    from subgrade.watching.alarm_facts import AlarmFacts
    from subgrade.watching.lines import Line

LOCK = "watch.lock"
MANY = 10
"""Subs that are measured in one go and take a while; no source."""
NOT_OF_A_WATCH = ("paths", "dry_run", "remeasure", "engine")
"""What ``grade`` is asked for once only."""
STYLES = {"good": "", "lost": "red", "changed": "yellow", "alarm": "bold red", "plain": ""}


@click.command(
    "watch",
    epilog="""
    \b
    Example: start it at dusk, with the night's guiding record
      subgrade watch ~/tonight/lights --guide ~/tonight/guiding.csv --out ~/tonight/graded
    \b
    Be woken when three subs in a row are lost, or none comes
      subgrade watch ~/tonight/lights --alarm "3 rejects" --alarm "no sub for 15 min" --bell
    \b
    Have a script send the alarm; what it says is in SUBGRADE_SENTENCE and SUBGRADE_CURE
      subgrade watch ~/tonight/lights --alarm "2 cloud" --alarm-run "sh notify.sh"

    Ctrl-C ends it, with the results whole. They are those that grade would write.
    Subs are only read.
    """,
)
@click.argument("folders", nargs=-1, required=True, metavar="FOLDER...")
@click.option(
    "--alarm",
    "alarms",
    multiple=True,
    metavar="CONDITION",
    help='When to give an alarm: "3 rejects", "3 rejects in 10", "2 cloud", '
    '"fwhm_arcsec > 4", "no sub for 15 min", "no guiding for 2 min"; may be given more than once.',
)
@click.option(
    "--alarm-run",
    metavar="COMMAND",
    help="Run on every alarm, without a shell; the facts are in its environment.",
)
@click.option("--bell", is_flag=True, help="Ring the terminal's bell on an alarm.")
@number_option(
    "--stop-after",
    Number(0.01, 100000),
    metavar="MINUTES",
    text="End by itself after so long.",
)
def command(
    folders: tuple[str, ...],
    alarms: tuple[str, ...],
    alarm_run: str | None,
    bell: bool,
    stop_after: float | None,
    quiet: bool,
    no_report: bool,
    **options: object,
) -> None:
    """Grade the subs of FOLDER... as they land, a line each, and give alarms.

    Every sub is judged beside all that came before it, and earlier ones beside it. RESULTS is
    whole after each: the same files as grade writes.
    """
    _check_parts()
    from subgrade.moving import locked
    from subgrade.watching import Asked, condition_of, follow
    from subgrade.watching.waking import Waking

    settings = settings_of(folders, no_report, options)
    conditions = tuple(map(condition_of, alarms))
    _check(settings, conditions)
    os.makedirs(settings.out, exist_ok=True)
    stop, screen = threading.Event(), _Screen(quiet, bell)
    asked = Asked(settings, conditions, alarm_run, None if stop_after is None else 60 * stop_after)
    with locked(settings.out, LOCK, "watch"), _ending(stop, screen.progress):
        screen.note(f"watching {', '.join(folders)}; results in {settings.out}; Ctrl-C ends it")
        with closing(Waking(dict.fromkeys(folders), stop)) as waking:
            night = follow(asked, screen, waking, stop)
    if night.graded is None:
        screen.note("no sub was graded")
    elif not quiet:
        from subgrade.cli.summary import print_summary

        print_summary(night.graded, settings.out)


command.params += [p for p in grade_command.params if p.name not in NOT_OF_A_WATCH]


def _check(settings, conditions) -> None:
    """Make sure of all that can be known before the night.

    Raises
    ------
    UsageError
    """
    from subgrade.errors import UsageError
    from subgrade.given_paths import check_paths
    from subgrade.judging import load_limits

    for folder in settings.paths:
        if os.path.exists(folder) and not os.path.isdir(folder):
            raise UsageError(f"{folder}: is a file; watch takes the folder that subs land in")
    # a record begins with the guiding, often later than the watch
    check_paths(replace(settings, guide=tuple(filter(os.path.exists, settings.guide))))
    load_limits(settings.limits)
    if not settings.guide and any(c.silent == "guiding" for c in conditions):
        raise UsageError("an alarm on guiding needs the record: add --guide FILE")


def _check_parts() -> None:
    from subgrade.errors import UsageError

    if find_spec("watchfiles") is None:
        raise UsageError('watch needs watchfiles: pip install "subgrade[watch]"')


@contextmanager
def _ending(stop: threading.Event, progress: _Progress) -> Iterator[None]:
    """Let Ctrl-C and a request to end take effect where nothing is left half done."""
    requests = []

    def ask(number: int, frame: FrameType | None) -> None:
        if number != signal.SIGINT:
            # a terminal that closes asks twice, so that once is enough; measuring holds Ctrl-C
            # back where it would do harm
            requests.append(number)
            if len(requests) == 1:
                signal.raise_signal(signal.SIGINT)
            return
        if stop.is_set():
            raise KeyboardInterrupt  # asked twice
        stop.set()
        if progress.measuring:
            raise KeyboardInterrupt

    wanted = [getattr(signal, name, None) for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")]
    before = {number: signal.signal(number, ask) for number in wanted if number is not None}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)


class _Progress(Progress):
    """What a grading reports, each thing once."""

    def __init__(self, screen: _Screen, quiet: bool):
        self._screen, self._quiet = screen, quiet
        self._known: set[str] = set()
        self.measuring = False

    def say(self, text: str) -> None:
        if not self._quiet:
            self.warn(text)

    def warn(self, text: str) -> None:
        if text not in self._known:
            self._known.add(text)
            self._screen.note(text)

    def start(self, total: int, cached: int) -> None:
        self.measuring = True
        left = total - cached
        if left >= MANY and not self._quiet:
            self._screen.note(f"measuring {left} subs")

    def stop(self) -> None:
        self.measuring = False


class _Screen:
    """Prints lines to stdout, notes to stderr; neither is worth the night."""

    def __init__(self, quiet: bool, bell: bool):
        self._quiet, self._bell = quiet, bell
        self.progress = _Progress(self, quiet)

    def lines(self, lines: list[Line]) -> None:
        from subgrade.cli.terminal import screen_of

        screen = screen_of()
        for line in lines:
            if self._quiet and line.about != "alarm":
                continue
            with suppress(OSError, ValueError):
                screen.show(screen.folded(line.text, style=STYLES[line.about]))
        with suppress(OSError, ValueError):
            sys.stdout.flush()

    def note(self, text: str) -> None:
        with suppress(OSError, ValueError):
            click.echo(f"subgrade: {printable(text)}", err=True)

    def alarm(self, facts: AlarmFacts) -> None:
        if self._bell:
            with suppress(OSError, ValueError):
                sys.stderr.write("\a")
                sys.stderr.flush()
