"""The loop of a watch: look, grade, say, wait.

The clock of all waits is one that never jumps; the time of day orders nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from subgrade.errors import SubgradeError, UsageError
from subgrade.held import Unsettled
from subgrade.lights import Found, find_lights
from subgrade.moving import is_locked
from subgrade.optional_parts import error_words
from subgrade.plaintext import printable
from subgrade.settings import Progress, Settings
from subgrade.watching.alarm_command import AlarmCommand
from subgrade.watching.alarm_facts import AlarmFacts, facts_of
from subgrade.watching.alarms import GUIDING, SUB, Alarms, Condition
from subgrade.watching.arrivals import Arrivals, Looked
from subgrade.watching.lines import Line, alarm_lines, lines_of
from subgrade.watching.night_so_far import NightSoFar, Update
from subgrade.watching.records import GrowingRecords

RETRY_S = 30.0
"""Results that could not be written are tried again after so long; no source."""
RECORD_S = 60.0
"""The record alone, without a new sub, is taken in so often; no source."""
BUSY_S = 2.0
TRIES_AT_THE_END = 5
UNSETTLED_S = 0.3
"""After files went away or were changed while they were graded."""
FAILED_S = 10.0
"""After a grading that failed as a whole."""


class Waking(Protocol):
    """Whatever waits for a change."""

    def wait(self, seconds: float) -> None:
        """Until something changes, or the time is over."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a watch is asked for.

    Attributes
    ----------
    settings : Settings
        As for one grading of the folders.
    conditions : tuple of Condition
    command : str or None
        What to run on an alarm.
    stop_after_s : float or None
    """

    settings: Settings
    conditions: tuple[Condition, ...] = ()
    command: str | None = None
    stop_after_s: float | None = None


class Teller(Protocol):
    """Whoever prints what a watch has to say."""

    progress: Progress

    def lines(self, lines: list[Line]) -> None:
        """Lines about subs, and alarms."""

    def note(self, text: str) -> None:
        """A line about the watch itself."""

    def alarm(self, facts: AlarmFacts) -> None:
        """An alarm was given."""


def follow(
    asked: Asked,
    teller: Teller,
    waking: Waking,
    stop: threading.Event,
    clock: Callable[[], float] = time.monotonic,
) -> NightSoFar:
    """Grade subs as they land, until asked to stop.

    Parameters
    ----------
    asked : Asked
    teller : Teller
    waking : Waking
    stop : threading.Event
        Set to end in order.
    clock : callable
        Seconds that never jump.

    Returns
    -------
    NightSoFar
        Its results are on the disk, whole.

    Raises
    ------
    UsageError
        If what was asked cannot be used from the start.
    """
    watch = _Watch(asked, teller, clock)
    end = None if asked.stop_after_s is None else clock() + asked.stop_after_s
    try:
        while not stop.is_set() and (end is None or clock() < end):
            wait = watch.step()
            if end is not None:
                wait = min(wait, end - clock())
            if not stop.is_set():
                waking.wait(wait)
    except KeyboardInterrupt:
        teller.note("interrupted while measuring: subs not measured yet are left to the next run")
        watch.only_measured = True
    watch.finish()
    return watch.night


class _Watch:
    def __init__(self, asked: Asked, teller: Teller, clock: Callable[[], float]):
        self._asked, self._teller, self._clock = asked, teller, clock
        now = clock()
        self.night = NightSoFar(asked.settings, teller.progress)
        self.only_measured = False
        self._arrivals = Arrivals()
        self._records = GrowingRecords(asked.settings.guide, now)
        self._alarms = Alarms(asked.conditions)
        self._command = AlarmCommand(asked.command, teller.note) if asked.command else None
        self._graded_of: tuple | None = None
        self._last_sub = now
        self._last_grading = now
        self._again_at: float | None = None
        self._unsettled = False
        self._standing: dict[str, str] = {}

    def step(self) -> float:
        """One round; the seconds to wait before the next."""
        found = self._found()
        now = self._clock()
        self._records.look(now)
        if self._command:
            self._command.look(now)
        wait = RECORD_S
        if found is not None:
            looked = self._arrivals.look(found.files, now)
            for path, why in looked.stuck.items():
                self._teller.note(f"{printable(found.name(path))} {why}")
            if self._due(looked, now):
                self._grade(looked, hurried=True)
            wait = min(wait, looked.due_s if looked.due_s is not None else wait)
        self._silence()
        now = self._clock()
        due = self._alarms.due_s(self._silent_s(now))
        if self._again_at is not None:
            wait = min(wait, self._again_at - now)
        return max(0.0, min(wait, due if due is not None else wait))

    def finish(self) -> None:
        """Bring the results to all that is there, and keep what the next run need not make."""
        for _ in range(TRIES_AT_THE_END):
            if not self._last_grading_of_all():
                break
        if problem := self.night.keep():
            self._teller.note(f"the comparison is not kept for another run: {problem}")
        if self._command:
            self._command.finish()

    def _last_grading_of_all(self) -> bool:
        """Grade what is there if it is not graded; whether it changed meanwhile."""
        found = self._found()
        if found is not None:
            looked = self._arrivals.look(found.files, self._clock())
            if self.only_measured:
                done = self.night.done
                ready = {path: state for path, state in looked.ready.items() if path in done}
                rest = [path for path in found.files if path not in ready]
                looked = Looked(ready, tuple(rest), {}, None)
            self._records.look(self._clock())
            if (looked.ready and self._of(looked) != self._graded_of) or self._again_at is not None:
                self._grade(looked)
                if self._unsettled:
                    return True
            for path in looked.waiting if not self.only_measured else ():
                self._teller.note(
                    f"{printable(found.name(path))} is still being written and is not graded"
                )
        return False

    def _found(self) -> Found | None:
        """The files in the folders; None while a folder is away, whose subs are not lost."""
        settings = self._asked.settings
        masters = [m for m in (settings.dark, settings.bias, settings.flat) if m]
        try:
            found = find_lights(
                settings.paths, exclude=[settings.out, *masters], kinds=self.night.kinds
            )
        except (UsageError, OSError) as error:
            self._say_once("folder", f"{error_words(error)}; waiting for it to come back")
            return None
        if shut := self._shut_away(found):
            self._say_once("folder", f"{shut}; waiting for it")
            return None
        if not found.files and self.night.graded is not None:
            self._say_once("folder", "no subs are there any more; the results stay as they were")
            return None
        if self._standing.pop("folder", None):
            self._teller.note("the folder is there again")
        return found

    def _shut_away(self, found: Found) -> str:
        """A folder with subs of the night that cannot be searched now, and why."""
        known = self._graded_of[0] if self._graded_of else ()
        for (folder, _), note in zip(found.unsearched, found.notes, strict=True):
            if any(path.is_relative_to(folder) for path, _ in known):
                return note
        return ""

    def _of(self, looked: Looked) -> tuple:
        return tuple(looked.ready.items()), self._records.states, looked.waiting

    def _due(self, looked: Looked, now: float) -> bool:
        """Whether there is something to grade: new subs at once, a longer record now and then."""
        if not looked.ready or (self._again_at is not None and now < self._again_at):
            return False
        if self._graded_of is None or self._again_at is not None:
            return True
        if tuple(looked.ready.items()) != self._graded_of[0]:
            return True
        longer = self._records.states != self._graded_of[1]
        return longer and now - self._last_grading >= RECORD_S

    def _grade(self, looked: Looked, hurried: bool = False) -> None:
        busy = is_locked(Path(self._asked.settings.out))
        if busy:
            self._say_once("busy", "a cull or restore is at work; the results follow when it ends")
            self._again_at = self._clock() + BUSY_S
            return
        self._standing.pop("busy", None)
        self._unsettled = False
        of, records = self._of(looked), self._records.there
        try:
            update = self.night.grade(looked.ready, records, hurried=hurried)
        except Unsettled:
            self._unsettled, self._again_at = True, self._clock() + UNSETTLED_S
            return
        except UsageError:
            if self._graded_of is None:
                raise
            self._failed("limits, marks or masters cannot be used any more")
            return
        except SubgradeError as error:
            self._failed(error_words(error))
            return
        except Exception as error:
            # nobody is there to start it again before the morning
            self._failed(f"subgrade itself failed: {error_words(error)}")
            return
        now = self._clock()
        first = self._graded_of is None
        if first or not all(map(_is_calibration, update.fresh)):
            self._last_sub = now
        self._graded_of, self._last_grading = of, now
        self._shown(update, first)
        written = not update.trouble or update.graded is None
        self._again_at = None if update.whole else self._clock()  # all is compared at once
        if not written:
            self._again_at = self._clock() + RETRY_S

    def _failed(self, why: str) -> None:
        self._say_once("failed", f"{why}; trying again")
        self._again_at = self._clock() + FAILED_S

    def _shown(self, update: Update, first: bool) -> None:
        if self._standing.pop("failed", None):
            self._teller.note("graded again")
        if update.graded is None:
            self._say_once("nothing", update.trouble)
            return
        self._standing.pop("nothing", None)
        if update.trouble:
            self._say_once("disk", f"{update.trouble}; the watch goes on and tries again")
        elif self._standing.pop("disk", None):
            self._teller.note("the results are written again")
        self._teller.lines(lines_of(update))
        subs = [frame for frame in update.graded.frames if not _is_calibration(frame)]
        # of subs that were there before the watch only the state that they leave counts
        fresh = 1 if first else min(len(update.fresh), len(subs))
        for alarm in self._alarms.of_subs(subs, fresh):
            self._alarm(facts_of(alarm, update.graded))

    def _silence(self) -> None:
        for alarm in self._alarms.of_silence(self._silent_s(self._clock())):
            self._alarm(facts_of(alarm, self.night.graded))

    def _silent_s(self, now: float) -> Mapping[str, float]:
        return {SUB: now - self._last_sub, GUIDING: now - self._records.changed_at}

    def _alarm(self, facts: AlarmFacts) -> None:
        self._teller.lines(alarm_lines(facts))
        self._teller.alarm(facts)
        if self._command:
            self._command.start(facts, self._clock())

    def _say_once(self, of: str, text: str) -> None:
        """Say what holds until it is over; again only where it has changed."""
        if self._standing.get(of) != text:
            self._standing[of] = text
            self._teller.note(text)


def _is_calibration(frame) -> bool:
    return frame.stars is None and frame.judgement.reasons[:1] == ("wrong_frame",)


__all__ = ["Asked", "follow"]
