"""What a run is asked, and what it reports while it works."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from subgrade.errors import UsageError

PATHS = ("out", "limits", "dark", "bias", "flat", "guide", "guide_map", "teach", "marks")
"""Options that name a file or a folder."""
RANGES = {
    "workers": (1, 1024),
    "scale": (0.01, 1000.0),
    "exposure": (0.0001, 86400.0),
    "guide_utc_offset": (-16.0, 16.0),
    "guide_scale": (0.01, 1000.0),
}
"""Least and most of each number."""
CHOICES = {
    "stack": ("mean", "weighted"),
    "prefer": ("depth", "sharpness"),
    "list_style": ("relative", "paths", "names"),
}
"""The words that an option takes, the default first."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the user asked for.

    Attributes
    ----------
    paths : tuple of str
        Folders, files or patterns.
    out : str
        The RESULTS folder.
    limits : str or None
        TOML file laid over the shipped limits.
    workers : int or None
        Processes, or workers of the cluster; None chooses.
    engine : str
        Where frames are measured: ``local``, or ``dask://HOST:PORT`` for a cluster's workers.
    scale : float or None
        Arcseconds per pixel, over the header's.
    exposure : float or None
        Seconds, for frames whose header states no exposure time.
    dark, bias, flat : str or None
        Master frames.
    remeasure : bool
        Measure again what an earlier run measured.
    guide : tuple of str
        Guiding records.
    guide_utc_offset : float or None
        Hours that the records' clock is ahead of UTC, over what the night would give.
    guide_map : str or None
        File that states which column is which, over what the titles suggest.
    guide_scale : float or None
        Arcseconds per pixel of the guide camera.
    expected_motion : tuple of float or None
        Arcseconds an hour and position angle (deg) of the target that the mount followed.
    stack : str
        How the kept frames will be averaged, ``mean`` or ``weighted``: what is too shallow for a
        plain mean deepens a weighted one.
    keep : float or None
        Share of each group's passing exposure time to keep, above 0 to 1; None keeps all of it.
    prefer : str
        What makes a frame the better one, ``depth`` or ``sharpness``.
    teach, marks : str or None
        Tables of the person's marks: to adapt the limits to, and to overrule verdicts by.
    report : bool
        Write the page.
    list_style : str
        How keeps.txt and rejects.txt name frames, one of ``CHOICES``.
    dry_run : bool
        Write nothing, measurements included.
    """

    paths: tuple[str, ...]
    out: str = "subgrade_results"
    limits: str | None = None
    workers: int | None = None
    scale: float | None = None
    exposure: float | None = None
    dark: str | None = None
    bias: str | None = None
    flat: str | None = None
    remeasure: bool = False
    guide: tuple[str, ...] = ()
    guide_utc_offset: float | None = None
    guide_map: str | None = None
    guide_scale: float | None = None
    expected_motion: tuple[float, float] | None = None
    stack: str = "mean"
    keep: float | None = None
    prefer: str = "depth"
    teach: str | None = None
    marks: str | None = None
    report: bool = True
    list_style: str = "relative"
    dry_run: bool = False
    engine: str = "local"


def asked_for(settings: Settings) -> dict[str, Any]:
    """What was asked, by name."""
    return {name: getattr(settings, name) for name in settings.__slots__}


def check_values(settings: Settings) -> None:
    """Make sure that numbers and words are such as a run can act on.

    Raises
    ------
    UsageError
        Names the first that is not, and what it may be.
    """
    for name, (low, high) in RANGES.items():
        value = getattr(settings, name)
        if value is not None and not (_is_number(value) and low <= value <= high):
            raise UsageError(f"{name}: {value!r} is not a number from {low:g} to {high:g}")
    if settings.workers is not None and settings.workers != int(settings.workers):
        raise UsageError(f"workers: {settings.workers!r} is not a whole number")
    for name, words in CHOICES.items():
        if (value := getattr(settings, name)) not in words:
            raise UsageError(f"{name}: {value!r} is not {' or '.join(words)}")
    keep, motion = settings.keep, settings.expected_motion
    if keep is not None and not (_is_number(keep) and 0 < keep <= 1):
        raise UsageError(f"keep: {keep!r} is not a share above 0 and at most 1")
    if motion is not None and not _is_motion(motion):
        raise UsageError(
            f"expected_motion: {motion!r} is not a rate in arcseconds an hour and an angle"
        )


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def _is_motion(value: object) -> bool:
    if not isinstance(value, tuple) or len(value) != 2 or not all(map(_is_number, value)):
        return False
    return bool(0 < value[0] < 1e6 and abs(value[1]) <= 360)


class Progress:
    """What the run reports while it works; this one is silent."""

    def say(self, text: str) -> None:
        """A line for the user."""

    def warn(self, text: str) -> None:
        """A line that the user must see: something was left out."""

    def start(self, total: int, cached: int) -> None:
        """Measuring starts: so many files, some of them measured earlier."""

    def advance(self, name: str, cause: str | None = None) -> None:
        """One file is done; ``cause`` is why it could not be measured."""

    def stop(self) -> None:
        """Measuring has ended."""
