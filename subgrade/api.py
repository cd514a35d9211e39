"""Grade a night from a script or a notebook: the public functions, and what they hand back.

What is promised to stay is in docs/python-api.md. Nothing here prints.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from subgrade import __version__
from subgrade.errors import (
    NothingToGrade,
    NotMoved,
    NotWritten,
    ResultsError,
    SubgradeError,
    UnreadableFile,
    UsageError,
)
from subgrade.season.side_by_side import Nights, nights
from subgrade.settings import Progress, Settings

if TYPE_CHECKING:
    from astropy.table import Table
    from pandas import DataFrame

    from subgrade.diagnosis.model import Advice, Diagnosis
    from subgrade.moving.model import Outcome
    from subgrade.results.explanation import Explanation

AnyPath: TypeAlias = str | os.PathLike[str]
"""A path as text or as a `pathlib.Path`; a ``~`` in front is the home folder."""
SOME_PROBLEMS = 3
"""Exit code of a run that left something out."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that a run reports while it works.

    Attributes
    ----------
    kind : str
        ``start`` and ``end`` of measuring, ``frame`` for each file measured, ``note`` and
        ``warning`` for a line of text.
    text : str
        The line; for ``frame`` the frame's name.
    done, total : int
        Files measured, and files there are, so far as is known.
    cause : str or None
        Why the file of a ``frame`` could not be measured.
    """

    kind: Literal["start", "frame", "end", "note", "warning"]
    text: str = ""
    done: int = 0
    total: int = 0
    cause: str | None = None


class Result:
    """A graded night.

    Made by `grade` and `open_result`, never by hand. Everything is read from what session.json
    holds, so that it is the same for a night just graded and one opened years later.

    Attributes
    ----------
    folder : Path
        RESULTS, absolute; after a dry run nothing was written there.
    session : dict
        What session.json holds, as plain values; docs/columns.md lists the keys.
    warnings, notes : tuple of str
        Lines of the run that a person must, or may, see; empty for a night that was opened.
    """

    def __init__(
        self,
        folder: Path,
        session: dict[str, Any],
        warnings: tuple[str, ...] = (),
        notes: tuple[str, ...] = (),
    ) -> None:
        self.folder = folder
        self.session = session
        self.warnings = warnings
        self.notes = notes

    @cached_property
    def table(self) -> DataFrame:
        """One row a frame, in the order taken, columns and names as in summary.csv.

        Text is ``string``, numbers ``Float64`` and ``Int64``, times ``datetime64[us, UTC]``; what
        was not measured is missing (``NA``, ``NaT``). ``attrs["units"]`` and ``attrs["meanings"]``
        describe the columns. Needs pandas (extra ``[frames]``).

        Raises
        ------
        UsageError
            If pandas is not installed.
        """
        from subgrade.results.data_frames import pandas_table

        return pandas_table(self._frames)

    def astropy_table(self) -> Table:
        """The same as an Astropy table with units and descriptions: what summary.ecsv holds.

        Columns of which some cells were not measured are masked there. ``QTable(...)`` of it has
        quantities. Times are text (ISO 8601, UTC).
        """
        from subgrade.results.data_frames import astropy_table

        return astropy_table(self._frames, self.session["folder"])

    @property
    def lights(self) -> Path:
        """The folder that the frames' names are relative to, absolute."""
        return Path(self.session["folder"])

    @property
    def kept(self) -> list[Path]:
        """Where the kept frames were when they were graded, absolute, in the order taken."""
        return self._paths("keep")

    @property
    def rejected(self) -> list[Path]:
        """The rejects, in the same way; what a choice left out is among them."""
        return self._paths("reject")

    @property
    def unreadable(self) -> list[Path]:
        """The files that could not be graded, in the same way."""
        return self._paths("unreadable")

    @property
    def weights(self) -> dict[Path, float]:
        """Relative weight in the stack of every kept frame, 1 for the best of its group."""
        return {
            Path(frame["path"]): float(frame["values"]["weight"])
            for frame in self._frames
            if frame["values"]["verdict"] == "keep"
        }

    @property
    def problems(self) -> list[tuple[str, str]]:
        """File and cause of whatever could not be graded, read or written."""
        return [(problem["file"], problem["cause"]) for problem in self.session["problems"]]

    @property
    def exit_code(self) -> int:
        """What ``subgrade grade`` leaves with for this night: 0, or 3 where there are problems."""
        return SOME_PROBLEMS if self.session["problems"] else 0

    @cached_property
    def diagnosis(self) -> Diagnosis | None:
        """What went wrong over the night; None where it could not be made."""
        from subgrade.results.read_diagnosis import read_diagnosis

        return read_diagnosis(self.session.get("diagnosis"))

    @property
    def advice(self) -> tuple[Advice, ...]:
        """What to change the next night, what would have saved most first."""
        return self.diagnosis.advice if self.diagnosis is not None else ()

    def explain(self, frame: AnyPath) -> Explanation:
        """Why one frame was kept or rejected.

        Parameters
        ----------
        frame : path-like
            Its name, a path to it, its file name, with or without ending, or a part that only it
            has.

        Raises
        ------
        ResultsError
            If no frame or more than one matches it.
        """
        from subgrade.results.explanation import explanation
        from subgrade.results.read import Session

        return explanation(Session(self.folder, self.session).frame(os.fspath(frame)))

    def cull(self, to: AnyPath, *, link: bool = False, unreadable: bool = False) -> Outcome:
        """Move the rejects to a folder, with a journal to bring them back by.

        Parameters
        ----------
        to : path-like
            Made if missing.
        link : bool
            Make symbolic links there instead; nothing is moved.
        unreadable : bool
            Take the files along that could not be graded.

        Raises
        ------
        ResultsError
            If another cull is at work, or the night was graded in a dry run.
        NotMoved
            If a file is not the one that was graded, or a target is taken; nothing was moved.
        """
        from subgrade.moving import cull

        return cull(self.folder, _path(to), link=link, unreadable=unreadable)

    def restore(self) -> Outcome:
        """Bring every culled frame back to its place.

        Raises
        ------
        ResultsError
            If another run is at work.
        """
        from subgrade.moving import restore

        return restore(self.folder)

    def __repr__(self) -> str:
        return f"<Result {self.folder}: {self._counts()}>"

    def _repr_html_(self) -> str:
        """The night in a few lines, for a notebook."""
        story = self.diagnosis.summary if self.diagnosis is not None else self._counts()
        rows = "".join(
            f"<tr><td>{escape(cause['text'])}</td><td>{cause['frames']}</td>"
            f"<td>{cause['lost_s'] / 60:.0f} min</td></tr>"
            for cause in self.session["causes"]
        )
        head = "<tr><th>lost to</th><th>frames</th><th>time</th></tr>"
        table = f"<table>{head}{rows}</table>" if rows else ""
        return f"<p><b>{escape(str(self.folder))}</b><br>{escape(story)}</p>{table}"

    @property
    def _frames(self) -> list[dict[str, Any]]:
        frames: list[dict[str, Any]] = self.session["frames"]
        return frames

    def _paths(self, verdict: str) -> list[Path]:
        return [Path(f["path"]) for f in self._frames if f["values"]["verdict"] == verdict]

    def _counts(self) -> str:
        totals = self.session["totals"]
        parts = (f"{totals[name]} {name}" for name in ("kept", "rejected", "unreadable"))
        return f"{totals['frames']} frames, {', '.join(parts)}"


def grade(
    paths: AnyPath | Iterable[AnyPath],
    *,
    out: AnyPath = "subgrade_results",
    guide: AnyPath | Iterable[AnyPath] = (),
    limits: AnyPath | None = None,
    engine: str = "local",
    workers: int | None = None,
    scale: float | None = None,
    exposure: float | None = None,
    dark: AnyPath | None = None,
    bias: AnyPath | None = None,
    flat: AnyPath | None = None,
    guide_utc_offset: float | None = None,
    guide_map: AnyPath | None = None,
    guide_scale: float | None = None,
    expected_motion: tuple[float, float] | None = None,
    stack: Literal["mean", "weighted"] = "mean",
    keep: float | None = None,
    prefer: Literal["depth", "sharpness"] = "depth",
    teach: AnyPath | None = None,
    marks: AnyPath | None = None,
    report: bool = True,
    list_style: Literal["relative", "paths", "names"] = "relative",
    dry_run: bool = False,
    remeasure: bool = False,
    progress: Callable[[Event], object] | None = None,
) -> Result:
    """Grade the light frames of a night, as ``subgrade grade`` does.

    Parameters
    ----------
    paths : path-like or iterable of path-like
        Folders (searched with their subfolders), files or patterns.
    out : path-like
        RESULTS, the folder for the results.
    guide : path-like or iterable of path-like
        Guiding records of the night.
    limits : path-like, optional
        TOML file laid over the shipped limits.
    engine : str
        Where frames are measured: ``local``, or ``dask://HOST:PORT`` for a cluster's workers.
    workers : int, optional
        Processes that measure, or workers of the cluster; chosen if not given.
    scale : float, optional
        Arcseconds per pixel, instead of the header's.
    exposure : float, optional
        Seconds, for frames whose header states none.
    dark, bias, flat : path-like, optional
        Master frames.
    guide_utc_offset : float, optional
        Hours that the record's clock is ahead of UTC, if it cannot be found.
    guide_map : path-like, optional
        TOML file that states which column of the record is which.
    guide_scale : float, optional
        Arcseconds per pixel of the guide camera, for a record in pixels.
    expected_motion : tuple of float, optional
        Arcseconds an hour and position angle (deg) of a target that the mount followed.
    stack : str
        How the frames will be averaged, ``mean`` or ``weighted``.
    keep : float, optional
        Share of each group's passing exposure time to keep, above 0 to 1.
    prefer : str
        What makes a frame the better one for ``keep``, ``depth`` or ``sharpness``.
    teach, marks : path-like, optional
        Tables of your marks: to adapt the limits to, and to overrule verdicts by.
    report : bool
        Write report.html.
    list_style : str
        How keeps.txt and rejects.txt name frames: ``relative``, ``paths`` or ``names``.
    dry_run : bool
        Write nothing, not even the measurements.
    remeasure : bool
        Measure again what an earlier run measured.
    progress : callable, optional
        Called with each `Event` of the run, in this thread. What it raises while files are
        measured ends the run; what was measured is kept.

    Returns
    -------
    Result

    Raises
    ------
    UsageError
        If a path, an option, the limits, the marks or a master cannot be used.
    NothingToGrade
        If no light frame was found or could be measured.
    ResultsError
        If the results would be written over what is not theirs.
    NotWritten
        If the results cannot be written; earlier ones are left whole.
    """
    from subgrade.pipeline import grade as graded_night
    from subgrade.results import session_record

    settings = Settings(
        paths=_paths(paths),
        out=_path(out),
        guide=_paths(guide),
        limits=_path_or_none(limits),
        engine=engine,
        workers=workers,
        scale=scale,
        exposure=exposure,
        dark=_path_or_none(dark),
        bias=_path_or_none(bias),
        flat=_path_or_none(flat),
        guide_utc_offset=guide_utc_offset,
        guide_map=_path_or_none(guide_map),
        guide_scale=guide_scale,
        expected_motion=expected_motion,
        stack=stack,
        keep=keep,
        prefer=prefer,
        teach=_path_or_none(teach),
        marks=_path_or_none(marks),
        report=report,
        list_style=list_style,
        dry_run=dry_run,
        remeasure=remeasure,
    )
    relay = _Relay(progress)
    graded = graded_night(settings, relay)
    folder = Path(settings.out).absolute()
    session = session_record(graded) if dry_run else open_result(folder).session
    return Result(folder, session, tuple(relay.warnings), tuple(relay.notes))


def open_result(results: AnyPath) -> Result:
    """Open a night that was graded before.

    Parameters
    ----------
    results : path-like
        RESULTS, the ``out`` folder of the grade.

    Returns
    -------
    Result

    Raises
    ------
    ResultsError
        If it does not exist or holds no session.json that can be read.
    """
    from subgrade.results import open_results

    opened = open_results(_path(results))
    return Result(opened.folder.absolute(), opened.record)


class _Relay(Progress):
    """Keeps what a run warns of, and hands everything on as events."""

    def __init__(self, hand_on: Callable[[Event], object] | None) -> None:
        self._hand_on = hand_on or (lambda event: None)
        self._done = self._total = 0
        self.warnings: list[str] = []
        self.notes: list[str] = []

    def say(self, text: str) -> None:
        self.notes.append(text)
        self._hand_on(Event("note", text, self._done, self._total))

    def warn(self, text: str) -> None:
        self.warnings.append(text)
        self._hand_on(Event("warning", text, self._done, self._total))

    def start(self, total: int, cached: int) -> None:
        self._done, self._total = cached, total
        self._hand_on(Event("start", "", self._done, self._total))

    def advance(self, name: str, cause: str | None = None) -> None:
        self._done += 1
        self._hand_on(Event("frame", name, self._done, self._total, cause))

    def stop(self) -> None:
        self._hand_on(Event("end", "", self._done, self._total))


def _path(path: AnyPath) -> str:
    return os.path.expanduser(os.fspath(path))


def _path_or_none(path: AnyPath | None) -> str | None:
    return None if path is None else _path(path)


def _paths(paths: AnyPath | Iterable[AnyPath]) -> tuple[str, ...]:
    return tuple(map(_path, [paths] if isinstance(paths, str | os.PathLike) else paths))


def units() -> Mapping[str, str]:
    """Unit of each column of the table that has one, as astropy spells it."""
    from subgrade.results.columns import COLUMNS

    return {column.name: column.unit for column in COLUMNS if column.unit}


__all__ = [
    "Event",
    "Nights",
    "NotMoved",
    "NotWritten",
    "NothingToGrade",
    "Result",
    "ResultsError",
    "SubgradeError",
    "UnreadableFile",
    "UsageError",
    "__version__",
    "grade",
    "nights",
    "open_result",
    "units",
]
