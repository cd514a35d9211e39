"""Conditions that someone asleep beside the telescope wants to be woken for.

A condition is a few words: ``3 rejects``, ``3 rejects in 10``, ``2 cloud``, ``fwhm_arcsec > 4``,
``3 transparency < 0.5 in 5``, ``no sub for 15 min``, ``no guiding for 2 min``.  An alarm comes
once, and again only after the condition was over.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from subgrade.errors import UsageError
from subgrade.judging.reasons import REASONS, SURPLUS
from subgrade.nearest_names import did_you_mean, like
from subgrade.results import COLUMNS, GradedFrame, is_surplus

OVER_AFTER = 3
"""A condition on subs is over when it has not been met at so many in a row; no source."""
MOST_SUBS = 1000
UNITS_S = {"s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0}
SUB, GUIDING = "sub", "guiding"
UNDERSTOOD = (
    '"3 rejects", "3 rejects in 10", a reason word as "2 cloud", a column of numbers as '
    '"fwhm_arcsec > 4" or "3 transparency < 0.5", "no sub for 15 min", "no guiding for 2 min"'
)
_COUNTED = re.compile(r"(?:(?P<count>\d+)\s+)?(?P<what>.+?)(?:\s+in\s+(?P<window>\d+))?")
_COMPARED = re.compile(r"(?P<column>[a-z_]+)\s*(?P<sign><=|>=|<|>)\s*(?P<limit>-?\d+(\.\d*)?)")
_SILENT = re.compile(r"no\s+(?P<of>\w+)\s+for\s+(?P<time>\d+(\.\d*)?)\s*(?P<unit>\w+)")
_SIGNS: dict[str, Callable[[float, float], bool]] = {
    "<": lambda value, limit: value < limit,
    ">": lambda value, limit: value > limit,
    "<=": lambda value, limit: value <= limit,
    ">=": lambda value, limit: value >= limit,
}
_NUMBERS = {column.name: column for column in COLUMNS if column.kind is not str}
_LOST = ("reject", "rejects", "rejected", "lost")


@dataclass(frozen=True, slots=True)
class Condition:
    """One condition.

    Attributes
    ----------
    text : str
        As the user wrote it, blanks made even.
    count, window : int
        How many subs of the last ``window``; equal where they must come in a row.
    meets : callable or None
        Whether a sub counts; None where the condition is on silence.
    silent, silent_s : str, float
        ``sub`` or ``guiding``, and the seconds without any.
    """

    text: str
    count: int = 1
    window: int = 1
    meets: Callable[[GradedFrame], bool] | None = None
    silent: str = ""
    silent_s: float = 0.0

    def met(self, frames: Sequence[GradedFrame]) -> tuple[GradedFrame, ...]:
        """The subs by which it is met at the last of these; empty where it is not."""
        if self.meets is None or not frames:
            return ()
        found = tuple(frame for frame in frames[-self.window :] if self.meets(frame))
        return found if len(found) >= self.count else ()


def condition_of(text: str) -> Condition:
    """Understand a condition.

    Parameters
    ----------
    text : str

    Returns
    -------
    Condition

    Raises
    ------
    UsageError
        If it is not understood: what would be is named.
    """
    plain = " ".join(text.split())
    if found := _SILENT.fullmatch(plain):
        return _silence(plain, found)
    found = _COUNTED.fullmatch(plain)
    if not found:
        raise _refused(text, "says nothing")
    count = int(found["count"] or 1)
    window = int(found["window"] or count)
    if not 1 <= count <= window <= MOST_SUBS:
        raise _refused(text, f"must be at least 1 sub, and no more than are looked at ({window})")
    return Condition(plain, count, window, _meeting(text, found["what"]))


def _silence(text: str, found: re.Match) -> Condition:
    of = (
        found["of"].removesuffix("s") if found["of"] in ("subs", "frames", "frame") else found["of"]
    )
    of = SUB if of == "frame" else of
    if of not in (SUB, GUIDING):
        raise _refused(text, f'"no {of}" is not known')
    unit = found["unit"] if found["unit"] in UNITS_S else found["unit"].rstrip("s")
    unit = {"minute": "min", "hour": "h", "second": "s"}.get(unit, unit)
    if unit not in UNITS_S or not float(found["time"]) > 0:
        raise _refused(text, "a time is a number with s, min or h")
    return Condition(text, silent=of, silent_s=float(found["time"]) * UNITS_S[unit])


def _meeting(text: str, what: str) -> Callable[[GradedFrame], bool]:
    if compared := _COMPARED.fullmatch(what):
        return _number(text, compared)
    if what in _LOST:
        return lambda frame: frame.judgement.verdict != "keep" and _is_sub(frame)
    word = what.replace(" ", "_")
    if word in REASONS and word != SURPLUS:
        return lambda frame: word in frame.judgement.reasons and frame.judgement.verdict != "keep"
    near = like(word, [*REASONS, *_NUMBERS, "rejects"])
    raise _refused(text, f'"{what}" is no reason word, nor a column with a limit', near)


def _number(text: str, compared: re.Match) -> Callable[[GradedFrame], bool]:
    name, limit, holds = compared["column"], float(compared["limit"]), _SIGNS[compared["sign"]]
    if name not in _NUMBERS:
        near = like(name, list(_NUMBERS))
        raise _refused(text, f"{name} is no column of numbers in summary.csv", near)
    column = _NUMBERS[name]

    def meets(frame: GradedFrame) -> bool:
        value = column.of(frame) if _is_sub(frame) else None
        return value is not None and holds(value, limit)

    return meets


def _is_sub(frame: GradedFrame) -> bool:
    """Whether a frame says anything of the night: flats and darks do not, nor one chosen out."""
    return not is_surplus(frame) and frame.judgement.reasons[:1] != ("wrong_frame",)


def _refused(text: str, why: str, near: str | None = None) -> UsageError:
    hint = did_you_mean(near) or "."
    return UsageError(f'--alarm "{text}": {why}{hint} Understood are {UNDERSTOOD}.')


@dataclass(frozen=True, slots=True)
class Alarm:
    """A condition that has come to be met.

    Attributes
    ----------
    condition : Condition
    frames : tuple of GradedFrame
        The subs by which it is met; empty for silence.
    silent_for_s : float
    """

    condition: Condition
    frames: tuple[GradedFrame, ...] = ()
    silent_for_s: float = 0.0


@dataclass(slots=True)
class Alarms:
    """The conditions of a night, and which of them are met now."""

    conditions: tuple[Condition, ...]
    _on: set[str] = field(default_factory=set)

    def of_subs(self, frames: Sequence[GradedFrame], fresh: int) -> list[Alarm]:
        """What has come to be met by the subs.

        Parameters
        ----------
        frames : sequence of GradedFrame
            The night in the order taken.
        fresh : int
            How many of the last are new; at each of them a condition may be met.
        """
        found = []
        ends = range(len(frames) - max(fresh, 1) + 1, len(frames) + 1)
        for condition in self.conditions:
            if condition.meets is None:
                continue
            alarm = None
            for end in ends:
                met = condition.met(frames[:end])
                if met and condition.text not in self._on:
                    self._on.add(condition.text)
                    alarm = Alarm(condition, met)
                elif not met and self._over(condition, frames[:end]):
                    self._on.discard(condition.text)
            found += [alarm] if alarm else []
        return found

    @staticmethod
    def _over(condition: Condition, frames: Sequence[GradedFrame]) -> bool:
        ends = range(len(frames), max(len(frames) - OVER_AFTER, 0), -1)
        return not any(condition.met(frames[:n]) for n in ends)

    def of_silence(self, silent_s: dict[str, float]) -> list[Alarm]:
        """What has come to be met by silence: seconds without a sub, without guiding."""
        found = []
        for condition in self.conditions:
            if not condition.silent:
                continue
            if silent_s[condition.silent] < condition.silent_s:
                self._on.discard(condition.text)
            elif condition.text not in self._on:
                self._on.add(condition.text)
                found.append(Alarm(condition, silent_for_s=silent_s[condition.silent]))
        return found

    def due_s(self, silent_s: dict[str, float]) -> float | None:
        """Seconds until a condition on silence may be met; None if none is waited for."""
        waits = [
            c.silent_s - silent_s[c.silent]
            for c in self.conditions
            if c.silent and c.text not in self._on
        ]
        return min(waits, default=None)
