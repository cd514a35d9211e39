"""What a run is asked, and what it reports while it works."""

from __future__ import annotations

from dataclasses import dataclass

PATHS = ("out", "limits", "dark", "bias", "flat", "guide", "guide_map", "teach", "marks")
"""Options that name a file or a folder."""


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
        How keeps.txt and rejects.txt name frames, one of ``results.lists.LIST_STYLES``.
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


def asked_for(settings: Settings) -> dict:
    """What was asked, by name."""
    return {name: getattr(settings, name) for name in settings.__slots__}


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
