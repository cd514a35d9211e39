"""What taught limits were learnt from, so that the same marks give the same limits, always.

Taught limits are a function of the limits before any lesson and of all frames seen since.
Both are kept in the file of taught limits: a mark given again stands in the place of the
first, and one turned round replaces it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from hashlib import sha256
from pathlib import Path

from subgrade.errors import UsageError
from subgrade.judging.limits import TAUGHT_TABLE, Limits, load_limits, read_limits_file
from subgrade.night.model import Frame, Group, Night, Usual
from subgrade.teaching.dials import DIALS, value_of, with_value

DIGITS = 12
"""Hexadecimal digits of a key: of a million frames two are alike once in 600 files [derived]."""
DECIMALS = 4
"""Decimals that numbers are kept with, and so fitted with from the first time on."""
USUAL = ("eccentricity", "fwhm_px")


@dataclass(frozen=True, slots=True)
class Field:
    """A group of frames as the limits on its shapes are made from it.

    Attributes
    ----------
    usual : dict of str to Usual
        By the names of ``Group.usual``.
    scale : float or None
        Arcseconds per pixel.
    count : int
        Frames in the group.
    """

    usual: Mapping[str, Usual]
    scale: float | None
    count: int

    @property
    def values(self) -> list[list[float]]:
        """As written to a file."""
        return [[u.centre, u.spread, u.best] for u in map(self.usual.__getitem__, USUAL)]


@dataclass(frozen=True, slots=True)
class Seen:
    """One frame as a person saw it.

    Attributes
    ----------
    key : str
        What it is known by in another run.
    word : str
        ``keep`` or ``reject``: the mark, or the verdict that was left as it was.
    marked : bool
    numbers : dict of str to (float, float)
        How far past its limit and the logistic error, by the dial's name.
    group : Field
    frame : str
        Its name in this run; empty for one of an earlier run.
    """

    key: str
    word: str
    marked: bool
    numbers: Mapping[str, tuple[float, float]]
    group: Field
    frame: str = ""

    @property
    def of(self) -> int:
        """Frames in its group."""
        return self.group.count


@dataclass(frozen=True, slots=True)
class Learnt:
    """What limits were learnt from.

    Attributes
    ----------
    before : dict of str to (float, float)
        By ``table.key``: the limit before any lesson, and after the last.
    frames : dict of str to Seen
        By key.
    """

    before: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    frames: Mapping[str, Seen] = field(default_factory=dict)

    def still(self, limits: Limits) -> Learnt:
        """The same, or nothing where limits were changed by hand since."""
        same = all(value_of(limits, key) == after for key, (_, after) in self.before.items())
        return self if same else Learnt()

    def base(self, limits: Limits) -> Limits:
        """The limits before any lesson."""
        for key, (before, _) in self.before.items():
            limits = with_value(limits, key, before)
        return limits

    def as_table(self) -> dict:
        """The same as values for a table of TOML."""
        groups = list({str(s.group): s.group for s in self.frames.values()}.values())
        place = {str(group): k for k, group in enumerate(groups)}
        return {
            "before": {key: list(pair) for key, pair in self.before.items()},
            "groups": [[*g.values, [g.scale or 0.0, g.count]] for g in groups],
            "frames": {
                key: [
                    s.word if s.marked else f"left as {s.word}",
                    place[str(s.group)],
                    *([d.name, *s.numbers[d.name]] for d in DIALS if d.name in s.numbers),
                ]
                for key, s in sorted(self.frames.items())
            },
        }


def field_of(night: Night, group: Group) -> Field:
    """A group of this night as it is written to a file."""
    scales = sorted(s for i in group.members if (s := night.frames[i].facts.scale_arcsec))
    usual = {}
    for name in USUAL:
        u = group.usual.get(name) or Usual(*[float("nan")] * 3, 0)
        usual[name] = Usual(*(round(float(v), DECIMALS) for v in (u.centre, u.spread, u.best)), 0)
    scale = round(scales[len(scales) // 2], DECIMALS) if scales else None
    return Field(usual, scale, len(group.members))


def frame_key(frame: Frame) -> str:
    """What a frame is known by in another run, in whatever folder it lies.

    Parameters
    ----------
    frame : Frame

    Returns
    -------
    str
        Made of file name and time; of the sky, its noise and the stars counted where the header
        has no time, as every night has its ``light_001``.
    """
    name = frame.name.replace("\\", "/").rsplit("/", 1)[-1].encode("utf-8", "backslashreplace")
    start, stars = frame.facts.start_unix, frame.stars
    mark = (
        f"{start:.3f}"
        if start is not None
        else (f"{stars.background_adu:.6g} {stars.noise_adu:.6g} {stars.stars}")
    )
    return sha256(name + mark.encode()).hexdigest()[:DIGITS]


def with_these(learnt: Learnt, seen: Iterable[Seen]) -> dict[str, Seen]:
    """All frames by now; of a frame seen before, what is newer, but its mark stays."""
    found = {key: replace(old, frame="") for key, old in learnt.frames.items()}
    for new in seen:
        old = found.get(new.key)
        if old is not None and old.marked and not new.marked:
            new = replace(new, word=old.word, marked=True)
        found[new.key] = new
    return found


def read_learnt(path: str | Path | None) -> Learnt:
    """What a file of limits was learnt from.

    Parameters
    ----------
    path : path-like or None
        A file for ``--limits``.

    Raises
    ------
    UsageError
        If the file cannot be read, or its table is not as subgrade writes it.
    """
    table = {} if path is None else read_limits_file(path).get(TAUGHT_TABLE, {})
    try:
        return _from_table(table)
    except (TypeError, ValueError, KeyError, IndexError, AttributeError) as error:
        raise UsageError(
            f"{path}: [{TAUGHT_TABLE}] is not as subgrade writes it; without that table the run "
            "works, but marks given again count twice"
        ) from error


def _from_table(table: dict) -> Learnt:
    if not table:
        return Learnt()
    groups = [
        Field(
            {n: Usual(*map(float, v), 0) for n, v in zip(USUAL, values, strict=True)},
            float(scale) or None,
            int(count),
        )
        for *values, (scale, count) in table["groups"]
    ]
    frames = {}
    for key, (word, group, *numbers) in table["frames"].items():
        verdict = word.removeprefix("left as ")
        if verdict not in ("keep", "reject"):
            raise ValueError(word)
        kept = {str(name): (float(b), float(e)) for name, b, e in numbers}
        frames[key] = Seen(key, verdict, verdict == word, kept, groups[group])
    before = {str(k): (float(b), float(a)) for k, (b, a) in table["before"].items()}
    for key in before:
        value_of(load_limits(), key)
    return Learnt(before, frames)
