"""Run the user's command on an alarm, and never wait for it."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from subgrade.errors import UsageError
from subgrade.plaintext import clean
from subgrade.watching.alarm_facts import AlarmFacts

MOST_S = 120.0
"""A command is ended when it runs for longer; no source."""
MOST_AT_ONCE = 5
LONGEST = 4000
"""Characters of a fact that are handed on."""


@dataclass(frozen=True, slots=True)
class _Running:
    process: subprocess.Popen
    since: float


class AlarmCommand:
    """Starts the command of ``--alarm-run``, without a shell, and says what came of it.

    File names come from outside, so the facts go into its environment alone.

    Parameters
    ----------
    command : str
        The program and its arguments, quoted as for a shell.
    say : callable
        Takes a line for the user.

    Raises
    ------
    UsageError
        If it is no command.
    """

    def __init__(self, command: str, say: Callable[[str], None]):
        try:
            self._words = shlex.split(command, posix=os.name != "nt")
        except ValueError as error:
            raise UsageError(f"--alarm-run {command}: {error}") from None
        if not self._words:
            raise UsageError("--alarm-run: names no command")
        self._say = say
        self._running: list[_Running] = []

    def start(self, facts: AlarmFacts, now: float) -> None:
        """Run it with the facts of an alarm; whatever fails is reported and the watch goes on."""
        if len(self._running) >= MOST_AT_ONCE:
            self._say(f"{self._words[0]}: not run, as {MOST_AT_ONCE} are running already")
            return
        own = {name: clean(text)[:LONGEST] for name, text in facts.environment().items()}
        try:
            process = subprocess.Popen(
                self._words,
                env=os.environ | own,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except (OSError, ValueError) as error:
            cause = getattr(error, "strerror", None) or error
            self._say(f"the alarm's command could not be run: {self._words[0]}: {cause}")
            return
        self._running.append(_Running(process, now))

    def look(self, now: float) -> None:
        """See which have ended, and end those that run for too long."""
        still = []
        for running in self._running:
            code = running.process.poll()
            if code is None and now - running.since > MOST_S:
                _end(running.process)
                self._say(f"{self._words[0]}: ended, as it ran for over {MOST_S:.0f} s")
            elif code is None:
                still.append(running)
            elif code:
                self._say(f"{self._words[0]}: the alarm's command ended with code {code}")
        self._running = still

    def finish(self, wait_s: float = 5.0) -> None:
        """Give what still runs a moment, and end it."""
        for running in self._running:
            with suppress(subprocess.TimeoutExpired):
                running.process.wait(wait_s)
                continue
            _end(running.process)
        self._running = []


def _end(process: subprocess.Popen) -> None:
    with suppress(OSError):
        if os.name == "nt":
            process.kill()
        else:  # and all that it started
            os.killpg(process.pid, signal.SIGKILL)
    with suppress(subprocess.TimeoutExpired):
        process.wait(5.0)
